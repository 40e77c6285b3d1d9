"""A plugin for the runs over mutants: the same examples each time, kept nowhere, and no time lost on making them small."""

from __future__ import annotations

from hypothesis import Phase, settings

settings.register_profile(
    "mutation", derandomize=True, database=None, deadline=None, phases=(Phase.explicit, Phase.generate)
)
