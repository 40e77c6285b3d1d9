"""What the link's families are told of the rover."""

from __future__ import annotations

from hubtack.diagnosis.rover_view import RoverView
from hubtack.engine.runs import Run

S = 1_000_000_000


def test_a_second_of_hold_counts_once_however_many_stretches_it_is_in() -> None:
    runs = {
        "fix:float": (Run(100 * S, 200 * S, 100 * S, 100), Run(900 * S, 950 * S, 50 * S, 50)),
        "few_satellites": (Run(110 * S, 190 * S, 80 * S, 80),),
        "poor_geometry": (Run(150 * S, None, 90 * S, 90),),
    }
    view = RoverView(has_rover=True, runs=runs)
    assert view.hold_ns(("fix:float",), 0, 1000 * S, 0) == 150 * S
    assert view.hold_ns(("fix:float", "few_satellites"), 0, 1000 * S, 0) == 150 * S
    assert view.hold_ns(("fix:float", "few_satellites", "poor_geometry"), 0, 1000 * S, 0) == 190 * S
    assert view.hold_ns(("fix:float",), 104 * S, 500 * S, 0) == 100 * S, "five seconds before still belong to it"
    assert view.hold_ns(("fix:float",), 106 * S, 800 * S, 60 * S) == 0
    assert view.hold_ns(("fix:float",), 106 * S, 850 * S, 60 * S) == 50 * S
    assert view.hold_ns(("nothing",), 0, 1000 * S, 0) == 0
