"""Logs on disk, three ways of packing, and what cannot be read."""

import bz2
import gzip
import io
import lzma
import os
import threading

import pytest

from hubtack.errors import SourceError
from hubtack.readers.chunk import Chunk, Notice, SourceState
from hubtack.readers.files import FileReader, StdinReader, iter_log
from hubtack.readers.pacing import Pace

LOG = b"".join(b"$GPGGA,12000%d.00,,,,,0,,,,,,,,*66\r\n" % second for second in range(10)) * 20


class HandClock:
    """A clock that moves only when somebody waits for it."""

    def __init__(self):
        self.now_ns = 1_000_000_000
        self.waits = []

    def mono_ns(self):
        return self.now_ns

    def utc_ns(self):
        return self.now_ns

    def wait(self, stop, seconds):
        self.waits.append(seconds)
        self.now_ns += round(seconds * 1e9)
        return stop.is_set()


def run(reader):
    events = []
    reader.run(events.append, threading.Event())
    return events


@pytest.mark.parametrize("pack", [bytes, gzip.compress, bz2.compress, lzma.compress])
def test_a_packed_log_is_known_by_its_content_whatever_its_name(tmp_path, pack):
    path = tmp_path / "log.txt"
    path.write_bytes(pack(LOG))
    events = run(FileReader(str(path), "rover"))
    assert b"".join(e.data for e in events if isinstance(e, Chunk)) == LOG
    assert [e.state for e in events if isinstance(e, Notice)] == [SourceState.OPENED, SourceState.ENDED]


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lzma.compress])
def test_a_cut_archive_gives_what_it_can_and_says_where_it_broke(tmp_path, pack):
    path = tmp_path / "log.gz"
    body = pack(os.urandom(400_000))
    path.write_bytes(body[: len(body) * 2 // 3])
    events = run(FileReader(str(path), "rover"))
    assert events[-1].state is SourceState.REFUSED
    assert "damaged after" in events[-1].message


@pytest.mark.parametrize("kind", ["missing", "folder", "empty", "unreadable"])
def test_what_cannot_be_read_is_told_before_the_start(tmp_path, kind, monkeypatch):
    path = tmp_path / "rover.nmea"
    if kind == "folder":
        path.mkdir()
    elif kind == "empty":
        path.touch()
    elif kind == "unreadable":
        path.write_bytes(LOG)
        path.chmod(0)
        if os.geteuid() == 0:  # root may read all: let the system's answer come from a stand-in
            def refuse(*args, **kwargs):
                raise PermissionError(13, "Permission denied")

            monkeypatch.setattr("builtins.open", refuse)
    says = {"missing": "no such file", "folder": "is a folder", "empty": "is empty", "unreadable": "permission"}[kind]
    with pytest.raises(SourceError, match=says) as caught:
        FileReader(str(path), "rover").check()
    assert "rover.nmea" in str(caught.value)
    assert caught.value.exit_code == 3


def test_a_misspelt_name_brings_the_name_that_is_there(tmp_path):
    (tmp_path / "digger7.nmea").write_bytes(LOG)
    with pytest.raises(SourceError, match=r"did you mean digger7\.nmea"):
        FileReader(str(tmp_path / "diger7.nmea"), "rover").check()


def test_a_log_played_at_its_own_pace_waits_for_each_epoch(tmp_path):
    path = tmp_path / "log"
    path.write_bytes(LOG[: len(LOG) // 20])
    clock = HandClock()
    events = run(FileReader(str(path), "rover", Pace(clock)))
    chunks = [e for e in events if isinstance(e, Chunk)]
    assert b"".join(c.data for c in chunks) == LOG[: len(LOG) // 20]
    assert [round(w, 6) for w in clock.waits] == [1.0] * 9
    assert [c.t_mono_ns - chunks[0].t_mono_ns for c in chunks] == [i * 10**9 for i in range(10)]
    assert all(c.t_utc_ns is None for c in chunks)  # the wall clock has nothing to do with an old log


def test_iter_log_gives_blocks_no_larger_than_asked(tmp_path):
    path = tmp_path / "log"
    path.write_bytes(LOG)
    blocks = list(iter_log(path, 1000))
    assert b"".join(blocks) == LOG
    assert max(map(len, blocks)) <= 1000


def test_standard_input_ends_with_a_notice(tmp_path):
    read_fd, write_fd = os.pipe()
    os.write(write_fd, LOG)
    os.close(write_fd)
    with io.FileIO(read_fd) as file:
        events = run(StdinReader("rover", file=file))
    assert b"".join(e.data for e in events if isinstance(e, Chunk)) == LOG
    assert events[-1].state is SourceState.ENDED
