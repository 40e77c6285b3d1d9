"""Which modules are mutated, and which tests must notice.

The modules that hold verdict, latches, limits and the folding of findings. For each the tests that touch it and take
seconds: a mutant that only a slow test would notice counts as survived, so the figures err to the low side.
"""

from __future__ import annotations

MODULES: dict[str, tuple[str, ...]] = {
    "engine/judge.py": ("tests/engine/test_judge_rules.py",),
    "engine/setup.py": ("tests/engine/test_setup.py", "tests/engine/test_judge_rules.py"),
    "engine/from_site.py": ("tests/engine/test_setup.py",),
    "engine/runs.py": ("tests/engine/test_runs.py",),
    "engine/age_track.py": ("tests/engine/test_age_track.py",),
    "engine/leaps.py": ("tests/engine/test_leaps.py", "tests/engine/test_judge_rules.py"),
    "engine/lateness.py": ("tests/engine/test_lateness_rules.py",),
    "engine/quantities.py": ("tests/engine/test_quantities_rules.py",),
    "engine/events.py": ("tests/engine/test_latches.py",),
    "engine/link.py": ("tests/engine/test_link_rules.py", "tests/engine/test_link_base.py"),
    "diagnosis/fold.py": ("tests/diagnosis/test_fold.py",),
    "diagnosis/check_family.py": ("tests/diagnosis/test_figures_at_their_limits.py",),
    "session/checking.py": ("tests/session/test_checking_rules.py",),
}
