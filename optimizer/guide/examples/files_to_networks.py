"""From measurement files to ranked networks and a build sheet, without a design file.

Run it on the folder that `laddersmith demo` writes:

    python files_to_networks.py demo-speaker
"""

import sys
from pathlib import Path

import optimizer
from optimizer import Driver, Problem, Stock, Topology

folder = Path(sys.argv[1] if len(sys.argv) > 1 else "demo-speaker")
seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 10.0

# Four statements lead from files to ranked networks.
drivers = [
    Driver.from_files(
        name,
        response={0: folder / f"{name}.txt", "30 right": folder / f"{name}_h30.txt"},
        impedance=folder / f"{name}_z.txt",
    )
    for name in ("midrange", "tweeter")
]
topology = Topology.of(
    midrange=[
        optimizer.series_inductor("L1", "0.15 mH", "2.2 mH"),
        optimizer.shunt_capacitor("C1", "2.2 uF", "22 uF", optional=True),
    ],
    tweeter=[
        optimizer.series_capacitor("C1", "2.2 uF", "15 uF"),
        optimizer.shunt_inductor("L1", "0.1 mH", "0.82 mH", optional=True),
        optimizer.pad("P1", series_resistor="0.5 .. 10 ohm", shunt_resistor="2.2 .. 47 ohm"),
    ],
    free_polarity=["tweeter"],
)
problem = Problem(
    drivers=drivers,
    topology=topology,
    stock=Stock.of("E12"),
    goals={
        "on_axis": {"tilt": "-0.3 dB/oct", "band": "400 .. 16k"},
        "impedance": {"floor": "3 ohm", "hard": True},
        "parts": {"each": 0.03},
    },
)
result = optimizer.fit(problem, seconds=seconds, seed=1)

# What every verb of the command line says is a value to look at.
best = result.best
print(result)
print(best)
for reason in optimizer.check(problem, best).reasons:
    print(f"{reason.goal} costs {reason.cost:.3f}")
print(optimizer.voice(problem, best, "less bright", changes=1))
for item in optimizer.sheet(problem, best).items:
    print(item)
