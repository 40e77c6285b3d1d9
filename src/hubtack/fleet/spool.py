"""Accounts on disk in the order in which they are wanted, so that an audit of any size takes the same memory."""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Iterator, Sequence
from typing import IO, overload

from hubtack.fleet.account import SessionAccount

Place = tuple[int, ...]


class Spool(Sequence[SessionAccount]):
    """Accounts put in any order, read back by their place. A temporary file that nobody else can open.

    As a sequence it is read in the order of the places, one account in memory at a time.
    """

    def __init__(self) -> None:
        self._file: IO[bytes] = tempfile.TemporaryFile(prefix="hubtack-audit-")  # noqa: SIM115 - held open for as long as the spool
        self._at: dict[Place, int] = {}
        self._order: list[Place] | None = None

    def put(self, place: Place, account: SessionAccount) -> None:
        """Keep an account at a place; the last one put there counts."""
        self._file.seek(0, 2)
        self._at[place] = self._file.tell()
        pickle.dump(account, self._file, protocol=pickle.HIGHEST_PROTOCOL)
        self._order = None

    def __len__(self) -> int:
        return len(self._at)

    @overload
    def __getitem__(self, index: int) -> SessionAccount: ...
    @overload
    def __getitem__(self, index: slice) -> list[SessionAccount]: ...
    def __getitem__(self, index: int | slice) -> SessionAccount | list[SessionAccount]:
        if self._order is None:
            self._order = sorted(self._at)
        if isinstance(index, slice):
            return [self._load(place) for place in self._order[index]]
        return self._load(self._order[index])

    def __iter__(self) -> Iterator[SessionAccount]:
        for i in range(len(self)):
            yield self[i]

    def _load(self, place: Place) -> SessionAccount:
        self._file.seek(self._at[place])
        # Only this process has written to the file, which has no name.
        account = pickle.load(self._file)
        assert isinstance(account, SessionAccount)
        return account

    def close(self) -> None:
        """Give the disk space back."""
        self._file.close()
