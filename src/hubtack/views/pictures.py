"""How pictures come to be: a figure without a window, and a file that is whole or not there. matplotlib, from the
extra ``plot``, is imported only here and in what draws, and late.

The colours are from the set of Okabe and Ito (from memory), which people with any colour vision tell apart; what draws
with them gives each sign a shape as well. Names from outside are drawn as plain text, never as a formula.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from hubtack.errors import SourceError, UsageError
from hubtack.safe import safe_text

BLUE, ORANGE, GREEN, BLACK = "#0072B2", "#D55E00", "#009E73", "#000000"
DOTS_PER_INCH = 150
RC: Any = {"text.parse_math": False, "svg.hashsalt": "hubtack", "svg.fonttype": "none"}
_METADATA: dict[str, Any] = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}


def new_figure(path: Path, size_in: tuple[float, float], kinds: Sequence[str]) -> Any:
    """An empty figure of that width and height. [in]

    Raises
    ------
    UsageError
        If the name of ``path`` ends in none of ``kinds``, or matplotlib is not installed.
    """
    if path.suffix.lower() not in kinds:
        endings = " or ".join((", ".join(kinds[:-1]), kinds[-1]))
        raise UsageError(f"--plot {safe_text(str(path), 80)}: the name must end in {endings}")
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError:
        raise UsageError("--plot needs matplotlib: pip install 'hubtack[plot]'") from None
    figure = Figure(figsize=size_in, layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def save_picture(figure: Any, path: Path) -> None:
    """Write the whole picture or none, without the time of drawing: the same data give the same file.

    Raises
    ------
    SourceError
        If the file cannot be written.
    """
    import matplotlib

    kind = path.suffix.lower()
    try:
        handle, temporary = tempfile.mkstemp(prefix=".hubtack-", suffix=kind, dir=path.parent)
        os.close(handle)
        try:
            with matplotlib.rc_context(RC):
                figure.savefig(temporary, format=kind[1:], dpi=DOTS_PER_INCH, metadata=_METADATA.get(kind))
            os.chmod(temporary, 0o644)
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as err:
        raise SourceError(
            f"{safe_text(str(path))} cannot be written: {err.strerror}; check the folder, and that there is room"
        ) from err
