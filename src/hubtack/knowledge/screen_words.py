"""What the operator's screen says beside its figures: the foot line, its keys, and the words that it uses."""

from __future__ import annotations

from dataclasses import dataclass

FOOT = "Positioning only: not bucket, teeth, boom sensors, design or buried services."
"""What nobody may read into a verdict; on every page of the screen, at any size."""


@dataclass(frozen=True, slots=True)
class Key:
    """A key of the live screen and what it does."""

    key: str
    does: str


KEYS: tuple[Key, ...] = (
    Key("q", "end"),
    Key("f", "findings in full, and back"),
    Key("b", "bell at each change of the verdict: on, off"),
    Key("a a", "twice: I confirm that the base which is heard is the right one (written to the verdict log)"),
    Key("?", "this page, and back"),
)
KEY_LINE = "? keys  q end"
CONFIRM_AGAIN = "press a again: the base that is heard is the right one"
CONFIRMED = "base confirmed; now check on a control mark"

# Of the base that is heard beside the one that was heard last.
ANOTHER_ID = "the base's station ID was {was}, now {now}: another base; check on a control mark"
ANOTHER_ANTENNA = "the base's antenna was {was}, now {now}: its height over the mark may be another; check on a control mark"


@dataclass(frozen=True, slots=True)
class Word:
    """A label of the screen and what stands beside it."""

    label: str
    means: str


WORDS: tuple[Word, ...] = (
    Word("age", "of the corrections, as the rover says it"),
    Word("baseline", "distance to the base that is heard, its ID, and the bearing from it"),
    Word("heading", "of the machine from true north, and its error at 95 %"),
    Word("PDOP", "as the rover says it, and as worked out here from the satellites it uses; small is good"),
    Word("edge height", "error at the cutting edge in height at 95 %, against the tolerance of the job"),
    Word("edge plan", "the same in plan"),
    Word("along", "the error in plan along the reach of the boom, and across it"),
    Word("from", "the largest parts of the error in height"),
    Word("sky", "satellites heard in eight sectors, N-NE from north to north-east; ^ is straight ahead"),
    Word("next 12 h", "# good  + fair  . poor  ? not known: a base tells only of satellites that have risen"),
)
"""Labels that a newcomer may ask about; the screen's page of keys explains them."""
