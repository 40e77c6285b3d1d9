"""How far an audit has come, on standard error, where that is a terminal: sessions, bytes, rate, time left."""

from __future__ import annotations

from types import TracebackType
from typing import Any


class Progress:
    """A progress line; with ``shown`` False it does nothing. Standard output stays for the answer."""

    def __init__(self, shown: bool) -> None:
        self._shown = shown
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> Progress:
        if self._shown:
            from rich import progress
            from rich.console import Console

            self._bar = progress.Progress(
                progress.TextColumn("{task.description}"),
                progress.BarColumn(bar_width=30),
                progress.TextColumn("{task.fields[count]}"),
                progress.DownloadColumn(),
                progress.TransferSpeedColumn(),
                progress.TextColumn("left"),
                progress.TimeRemainingColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def start(self, what: str, total_bytes: int, count: int) -> None:
        """Begin a stretch of work of so many bytes in so many parts."""
        if self._bar is not None:
            if self._task is not None:
                self._bar.remove_task(self._task)
            self._count, self._of = 0, count
            self._task = self._bar.add_task(what, total=total_bytes or None, count=f"0 of {count}")

    def advance(self, n_bytes: int) -> None:
        """One part is done."""
        if self._bar is not None:
            self._count += 1
            self._bar.update(self._task, advance=n_bytes, count=f"{self._count} of {self._of}")
