"""Made-up boxes, solved apart from the project: does the level below a join lie within what is said?

``python -m benchmarks.cabinets --boxes 40 --seed 888``
"""

from __future__ import annotations

import argparse

import numpy as np

from benchmarks.cabinets.boundary import lay_box, solve
from benchmarks.tables import machine, print_table, write_csv
from optimizer.measure.curves.cabinet import Cabinet, solve_step
from optimizer.measure.curves.nearfield import doubt_below

FREQUENCY_HZ = np.array([50.0, 80.0, 120.0, 180.0, 250.0, 320.0, 400.0, 480.0])
JOIN_HZ = 400.0


def main() -> None:
    """Draw boxes, solve them, and print how far the step is off and what was said of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boxes", type=int, default=40)
    parser.add_argument("--seed", type=int, default=888)
    args = parser.parse_args()
    print(machine())
    rng = np.random.default_rng(args.seed)
    rows: list[dict[str, object]] = []
    for number in range(args.boxes):
        width = rng.uniform(0.16, 0.5)
        height = min(1.3, width * rng.uniform(1.0, 4.5))
        depth = width * rng.uniform(0.65, 1.65)
        cone = min(0.75 * width, rng.uniform(0.09, 0.3))
        room = height / 2 - cone / 2 - 0.02
        up = rng.uniform(-room, room)
        aside = rng.choice([0, 0, 0, rng.uniform(-1, 1)]) * max(0, width / 2 - cone / 2 - 0.02)
        edge = rng.choice([0.0, 0.005, 0.01, 0.02])
        half = np.array([width, height, depth]) / 2
        face = width * height + width * depth + height * depth
        true = solve(
            lay_box(half, max(0.028, face**0.5 / 24), edge), FREQUENCY_HZ, (aside, up), cone
        )
        for said, stated in (("depth stated", depth), ("depth open", None)):
            cabinet = Cabinet(
                width_m=width, height_m=height, depth_m=stated, right_m=aside, up_m=up
            )
            rows.append({"box": number, "width": width, "height": height, "depth": depth,
                         "cone": cone, "up": up, "right": aside, "edge": edge, "said": said,
                         **_hold(cabinet, cone, true)})  # fmt: skip
    for said in ("depth stated", "depth open"):
        of_it = [row for row in rows if row["said"] == said]
        within = np.array([row["within"] for row in of_it], dtype=float)
        off = np.array([row["off, rms dB"] for row in of_it], dtype=float)
        wide = np.array([row["said, mean dB"] for row in of_it], dtype=float)
        print_table(
            [{"boxes": len(of_it), "within, mean": float(within.mean()),
              "within, worst": float(within.min()), "off, rms dB": float((off**2).mean() ** 0.5),
              "off, worst rms dB": float(off.max()), "said, mean dB": float(wide.mean())}],
            said,
        )  # fmt: skip
    print("written:", write_csv("cabinets", rows))


def _hold(cabinet: Cabinet, cone: float, true: np.ndarray) -> dict[str, object]:
    """Meet both over the octave around the join, and compare what lies below it."""
    step, solved = solve_step(FREQUENCY_HZ, cabinet, cone, 600.0)
    said = 20.0 * np.log10(np.abs(step))
    join = np.abs(np.log2(FREQUENCY_HZ / JOIN_HZ)) <= 0.5
    known = doubt_below(FREQUENCY_HZ, solved - said, JOIN_HZ)
    assert known is not None
    off = ((said - said[join].mean()) - (true - true[join].mean()))[: known.shape[1]]
    return {
        "within": float((np.abs(off) <= known[1]).mean()),
        "off, rms dB": float(np.sqrt((off**2).mean())),
        "said, mean dB": float(known[1].mean()),
    }


if __name__ == "__main__":
    main()
