"""General optimisers, each used as its authors advise for whole-number variables.

Each function runs, with restarts where the method ends by itself, until the cost function ends it
with `TimeIsUp`.
"""

from __future__ import annotations

import itertools
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np

from benchmarks.peers.cost import PeerCost, TimeIsUp

Peer = Callable[[PeerCost, int], None]


def scipy_differential_evolution(cost: PeerCost, seed: int) -> None:
    """Vectorised, with integrality constraints, whole population at once."""
    from scipy.optimize import differential_evolution

    for turn in itertools.count():
        differential_evolution(
            lambda x: cost(np.rint(x.T)),
            [(0, n - 1) for n in cost.sizes],
            integrality=np.ones(cost.dimensions, dtype=bool),
            vectorized=True,
            updating="deferred",
            polish=False,
            maxiter=10**6,
            popsize=8,
            tol=1e-6,
            rng=np.random.default_rng([seed, turn]),
        )


def scipy_dual_annealing(cost: PeerCost, seed: int) -> None:
    """One network at a time; its local search needs gradients, which steps do not have."""
    from scipy.optimize import dual_annealing

    for turn in itertools.count():
        dual_annealing(
            lambda x: float(cost(cost.from_unit(x[None]))[0]),
            [(0.0, 1.0)] * cost.dimensions,
            no_local_search=True,
            maxiter=10**6,
            maxfun=10**9,
            rng=np.random.default_rng([seed, turn]),
        )


def _nevergrad(name: str, together: int) -> Peer:
    def run(cost: PeerCost, seed: int) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import nevergrad as ng

            parameter = ng.p.Array(init=np.full(cost.dimensions, 0.5), lower=0.0, upper=1.0)
            parameter.random_state = np.random.RandomState(seed)
            optimiser = ng.optimizers.registry[name](
                parametrization=parameter, budget=int(2000 * cost.seconds), num_workers=together
            )
            while True:
                asked = [optimiser.ask() for _ in range(together)]
                told = cost(cost.from_unit(np.array([a.value for a in asked])))
                for candidate, value in zip(asked, told, strict=True):
                    optimiser.tell(candidate, float(value))

    return run


def cma_integer(cost: PeerCost, seed: int) -> None:
    """CMA-ES with integer handling; the population doubles at every restart."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import cma

        rng = np.random.default_rng(seed)
        size = 4 + int(3 * np.log(cost.dimensions))
        for turn in itertools.count():
            strategy: Any = cma.CMAEvolutionStrategy(
                rng.uniform(0.0, cost.sizes - 1.0),
                0.3,
                {
                    "bounds": [
                        np.full(cost.dimensions, -0.5).tolist(),
                        (cost.sizes - 0.5).tolist(),
                    ],
                    "CMA_stds": cost.sizes.astype(float).tolist(),
                    "integer_variables": list(range(cost.dimensions)),
                    "popsize": size,
                    "seed": 1 + seed * 1000 + turn,
                    "verbose": -9,
                    "maxiter": 10**6,
                },
            )
            while not strategy.stop():
                points = strategy.ask()
                strategy.tell(points, cost(np.rint(np.array(points))).tolist())
            size *= 2


def pymoo_mixed(cost: PeerCost, seed: int) -> None:
    """Genetic algorithm for mixed variables: whole numbers and yes-or-no."""
    from pymoo.core.evaluator import Evaluator
    from pymoo.core.mixed import MixedVariableGA
    from pymoo.core.problem import Problem
    from pymoo.core.termination import NoTermination
    from pymoo.core.variable import Binary, Integer

    names = [f"x{i:03d}" for i in range(cost.dimensions)]
    variables = {
        name: Binary() if size == 2 else Integer(bounds=(0, int(size) - 1))
        for name, size in zip(names, cost.sizes, strict=True)
    }

    class Networks(Problem):  # type: ignore[misc]
        def __init__(self) -> None:
            super().__init__(vars=variables, n_obj=1)

        def _evaluate(self, x: Any, out: Any, *args: Any, **kwargs: Any) -> None:
            out["F"] = cost(np.array([[int(row[n]) for n in names] for row in x]))

    problem = Networks()
    algorithm = MixedVariableGA(pop_size=100)
    algorithm.setup(problem, termination=NoTermination(), seed=seed, evaluator=Evaluator())
    while True:
        algorithm.next()


PEERS: dict[str, Peer] = {
    "scipy differential_evolution": scipy_differential_evolution,
    "scipy dual_annealing": scipy_dual_annealing,
    "nevergrad DE": _nevergrad("DE", 30),
    "nevergrad TwoPointsDE": _nevergrad("TwoPointsDE", 30),
    "nevergrad NGOpt": _nevergrad("NGOpt", 16),
    "cma": cma_integer,
    "pymoo MixedVariableGA": pymoo_mixed,
}


def import_peers() -> None:
    """Import everything before a clock runs."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import cma  # noqa: F401
        import nevergrad  # noqa: F401
        import pymoo.core.mixed  # noqa: F401
        import scipy.optimize  # noqa: F401


def run_peer(name: str, cost: PeerCost, seed: int) -> None:
    """Run one peer until its time is up."""
    import_peers()
    cost.restart()
    try:
        PEERS[name](cost, seed)
    except TimeIsUp:
        return
