"""A goal of our own."""

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Real
from optimizer.goals import BandGoal, Prepared, option
from optimizer.goals.options import band_option, hard_option, weight_option


class Harshness(
    BandGoal,
    name="harshness",
    family="response",
    unit="dB rms over",
    hears=True,
    sells="of harshness",
    buys="less harshness",
):
    """Level on the axis above a ceiling, where the ear tires first."""

    curves = ("on_axis",)
    ceiling_db: float = option("ceiling", "level not to exceed", default=86.0, unit="dB")
    band_hz: tuple[float, float] = band_option(2000.0, 5000.0)
    hard: bool = hard_option()
    weight: float = weight_option(0.5)

    def residuals(self, on: Prepared, curves: Curves) -> Real:
        """Say what lies above; by on.scale the root of the sum of squares is an rms."""
        over = curves.level_db("on_axis")[..., on.span] - self.ceiling_db
        return np.asarray(np.maximum(over, 0.0) * on.scale)

    def tangents(self, on: Prepared, curves: Curves, tangents: CurveTangents) -> Real:
        """Say how each residual moves with each value: not at all below the ceiling."""
        over = curves.level_db("on_axis")[..., on.span] > self.ceiling_db
        slopes = tangents.level_db("on_axis")[..., on.span]
        return np.asarray(slopes * over[:, None] * on.scale)

    def describe(self, on: Prepared, curves: Curves) -> str:
        """Say where the figure comes from."""
        level = curves.level_db("on_axis")[..., on.span]
        at = int(np.argmax(level))
        return f"{level[at]:.1f} dB at {on.frequency_hz[at]:.0f} Hz"
