"""Which modules are mutated, and which tests must notice.

The modules that hold verdict, latches, limits and the folding of findings. For each the tests that touch it and take
seconds: a mutant that only a slow test would notice counts as survived, so the figures err to the low side.
"""

from __future__ import annotations

FAST_JUDGE = ("tests/engine/test_judge_rules.py",)

MODULES: dict[str, tuple[str, ...]] = {
    "engine/judge.py": FAST_JUDGE,
    "engine/setup.py": (*FAST_JUDGE, "tests/engine/test_setup.py"),
    "engine/from_site.py": ("tests/engine/test_setup.py",),
    "engine/runs.py": ("tests/engine/test_runs.py",),
    "engine/age_track.py": ("tests/engine/test_age_track.py",),
    "engine/link.py": ("tests/engine/test_link.py", "tests/engine/test_latches.py"),
    "diagnosis/fold.py": ("tests/diagnosis/test_fold.py",),
    "diagnosis/ready.py": ("tests/diagnosis/test_ready.py",),
    "session/base_watch.py": ("tests/session/test_base_watch.py",),
    "session/checking.py": ("tests/session/test_checking_rules.py",),
    "session/link_join.py": ("tests/session/test_session.py",),
}

# Minutes long, or made to try what the others hold already: a survivor would wait for each of them.
LEFT_OUT = (
    "tests/engine/test_judge.py::test_no_sequence_is_graded_on_bad_data_or_before_it_has_settled",
    "tests/engine/test_judge.py::test_looking_at_any_time_changes_no_later_row",
)
