"""A whole day through the live commands in minutes, with faults: memory, threads and open files must stay flat.

``python -m tests.faults.soak --speed 100`` (Linux; about a quarter of an hour). A day is simulated, or one given with ``--day``;
``hubtack replay`` plays it; a thread for each listener passes it on and spoils it: hangs up, stalls, unplugs the serial port,
adds noise, sends old data again. Listeners are ``watch`` on a terminal (rover by a serial port, corrections by TCP), ``link``
on another, and ``record``. Every five seconds each process is looked at from outside, by /proc.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import pty
import random
import select
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from tests.terminal import ENV, set_size

SAMPLE_S = 5.0
# What may come on top between the second quarter of a run and its last, of which half is what the allocator keeps.
GROWTH_MB, GROWTH_SHARE = 6.0, 0.06
KINDS = ("hang up", "stall", "noise", "old data", "single bytes")


@dataclass
class Subject:
    """A process that is looked at."""

    name: str
    pid: int
    rss_mb: list[float] = field(default_factory=list)
    threads: list[int] = field(default_factory=list)
    files: list[int] = field(default_factory=list)

    def look(self) -> None:
        with contextlib.suppress(OSError, StopIteration):  # it has ended
            lines = Path(f"/proc/{self.pid}/status").read_text(encoding="ascii").splitlines()
            value = {line.partition(":")[0]: line.split()[1] for line in lines if line[:2] in ("Vm", "Th")}
            files = len(os.listdir(f"/proc/{self.pid}/fd"))
            if "VmRSS" in value:  # a process that has ended and is not yet waited for has none
                self.rss_mb.append(int(value["VmRSS"]) / 1024)
                self.threads.append(int(value["Threads"]))
                self.files.append(files)

    def row(self) -> dict[str, object]:
        """Medians of the second and the last quarter, and the most."""
        n = len(self.rss_mb)
        early, late = slice(n // 4, n // 2), slice(n - n // 4, n)

        def middle(values: list[float] | list[int], part: slice) -> float:
            return round(float(statistics.median(values[part] or [0])), 1)

        return {
            "process": self.name, "looks": n, "rss_mb": [middle(self.rss_mb, early), middle(self.rss_mb, late)],
            "most_rss_mb": round(max(self.rss_mb, default=0.0), 1), "threads": [middle(self.threads, early), middle(self.threads, late)],
            "files": [middle(self.files, early), middle(self.files, late)], "most_files": max(self.files, default=0),
        }  # fmt: skip

    def troubles(self) -> list[str]:
        """What did not stay flat."""
        row = self.row()
        (rss, rss_late), (threads, threads_late), (files, files_late) = row["rss_mb"], row["threads"], row["files"]  # type: ignore[misc]
        found = []
        if rss_late - rss > max(GROWTH_MB, GROWTH_SHARE * rss):
            found.append(f"{self.name}: memory grew from {rss} to {rss_late} MB")
        if threads_late > threads + 1:
            found.append(f"{self.name}: threads grew from {threads} to {threads_late}")
        if files_late > files + 2:
            found.append(f"{self.name}: open files grew from {files} to {files_late}")
        return found


class Spoiler:
    """Takes a stream from a port and gives it to one listener, with a fault every few seconds."""

    def __init__(self, upstream: int, seed: int, link: Path | None = None) -> None:
        self.did: Counter[str] = Counter()
        self.bytes = 0
        self._rng = random.Random(seed)
        self._link = link
        self._stop = threading.Event()
        self._upstream = socket.create_connection(("127.0.0.1", upstream))
        self._out: socket.socket | int | None = None
        self._theirs = -1
        self._server: socket.socket | None = None
        if link is None:
            self._server = socket.create_server(("127.0.0.1", 0))
            self._server.setblocking(False)
            self.port = self._server.getsockname()[1]
        else:
            self._plug()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(5)
        self._unplug()
        self._upstream.close()
        if self._server is not None:
            self._server.close()

    def _plug(self) -> None:
        ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(ours, False)
        assert self._link is not None
        self._link.symlink_to(os.ttyname(self._theirs))
        self._out = ours

    def _unplug(self) -> None:
        out, self._out = self._out, None
        with contextlib.suppress(OSError):
            if isinstance(out, socket.socket):
                out.close()
            elif out is not None and self._link is not None:
                self._link.unlink()
                os.close(out)
                os.close(self._theirs)

    def _give(self, data: bytes) -> None:
        if self._out is None and self._server is not None:
            with contextlib.suppress(BlockingIOError):
                self._out = self._server.accept()[0]
                self._out.settimeout(1.0)
        try:
            if isinstance(self._out, socket.socket):
                self._out.sendall(data)
            elif self._out is not None:
                while data and select.select([], [self._out], [], 0.5)[1]:
                    data = data[os.write(self._out, data) :]
                self.did["overrun of the port"] += bool(data)
        except TimeoutError:
            self.did["listener too slow"] += 1
        except OSError:
            self._unplug()

    def _run(self) -> None:
        rng, old = self._rng, b""
        next_s = time.monotonic() + rng.uniform(5, 20)
        self._upstream.settimeout(0.5)
        while not self._stop.is_set():
            try:
                data = self._upstream.recv(4096)
            except TimeoutError:
                continue
            except OSError:
                return
            if not data:
                return
            self.bytes += len(data)
            old = (old + data)[-20_000:]
            if time.monotonic() < next_s:
                self._give(data)
                continue
            next_s = time.monotonic() + rng.uniform(5, 20)
            kind = rng.choice(KINDS)
            self.did[kind] += 1
            if kind == "hang up":
                self._unplug()
                self._stop.wait(rng.uniform(0, 3))
                if self._link is not None:
                    self._plug()
            elif kind == "stall":
                until_s = time.monotonic() + rng.uniform(1, 6)
                while time.monotonic() < until_s and not self._stop.is_set():
                    with contextlib.suppress(OSError):
                        self._upstream.recv(65536)  # lost, as on a radio
            elif kind == "noise":
                self._give(rng.randbytes(3_000) + data)
            elif kind == "old data":
                self._give(data + old)
            else:
                for i in range(min(len(data), 200)):
                    self._give(data[i : i + 1])
                self._give(data[200:])


class Screen:
    """A command on a pseudo-terminal, whose output is read and forgotten but for its end."""

    def __init__(self, argv: list[str], cwd: Path) -> None:
        self.end = b""
        self.bytes = 0
        self.said_traceback = False
        self.pid, self._master = pty.fork()
        if self.pid == 0:
            os.chdir(cwd)
            os.execve(sys.executable, [sys.executable, "-m", "hubtack", *argv], {**os.environ, **ENV})
        set_size(self._master, 100, 40)
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while part := os.read(self._master, 65536):
                self.bytes += len(part)
                self.end = (self.end + part)[-4000:]
                self.said_traceback |= b"Traceback" in self.end or b"internal error" in self.end

    def stop(self) -> int:
        os.kill(self.pid, signal.SIGINT)
        until_s = time.monotonic() + 20
        while time.monotonic() < until_s:
            done, status = os.waitpid(self.pid, os.WNOHANG)
            if done:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.05)
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        return -9


def hubtack(*argv: str, cwd: Path, **more: object) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-m", "hubtack", *argv], cwd=cwd, **more)  # type: ignore[call-overload,no-any-return]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def wait_for_port(port: int, limit_s: float = 60.0) -> None:
    until_s = time.monotonic() + limit_s
    while time.monotonic() < until_s:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1.0):
            return
        time.sleep(0.1)
    raise AssertionError("the replay did not open its port")


def soak(day: Path, folder: Path, speed: float, limit_s: float, seed: int) -> dict[str, object]:
    """Run it; the figures, and under ``troubles`` what was not as it should be."""
    rover, corrections = free_port(), free_port()
    said = (folder / "replay.txt").open("wb")
    player = hubtack(
        "replay", str(day), "--to", f"rover=tcp://127.0.0.1:{rover}", "--to", f"corrections=tcp://127.0.0.1:{corrections}",
        "--speed", str(speed), "--seed", str(seed), "--fault", "corrections:loss=0.01", "--fault", "rover:bits=1e-6",
        cwd=folder, stderr=said,
    )  # fmt: skip
    wait_for_port(rover)
    wait_for_port(corrections)
    link = folder / "port"
    spoilers = [
        Spoiler(rover, seed, link), Spoiler(corrections, seed + 1), Spoiler(corrections, seed + 2),
        Spoiler(rover, seed + 3), Spoiler(corrections, seed + 4),
    ]  # fmt: skip
    site = folder / "site.toml"
    site.write_bytes((day / "site.toml").read_bytes())
    watch = Screen(
        ["watch", "--rover", f"serial://{link}?baud=115200", "--corrections", f"tcp://127.0.0.1:{spoilers[1].port}", "--site",
         str(site), "--log", str(folder / "verdicts.jsonl")], folder,
    )  # fmt: skip
    judge = Screen(["link", f"tcp://127.0.0.1:{spoilers[2].port}", "--site", str(site)], folder)
    recorder = hubtack(
        "record", "--rover", f"tcp://127.0.0.1:{spoilers[3].port}", "--corrections", f"tcp://127.0.0.1:{spoilers[4].port}",
        "--out", "cap", "--split-mb", "20", cwd=folder, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    for spoiler in spoilers:
        spoiler.start()
    subjects = [
        Subject("watch", watch.pid), Subject("link", judge.pid), Subject("record", recorder.pid), Subject("replay", player.pid),
    ]  # fmt: skip
    began_s, troubles = time.monotonic(), []
    while player.poll() is None and time.monotonic() - began_s < limit_s:
        for subject in subjects:
            subject.look()
        if len(subjects[0].rss_mb) % 12 == 0:
            print(json.dumps([s.row() for s in subjects]), file=sys.stderr, flush=True)
        select.select([], [], [], SAMPLE_S)
    took_s = time.monotonic() - began_s
    if player.poll() is None:
        player.send_signal(signal.SIGTERM)
    codes = {"watch": watch.stop(), "link": judge.stop()}
    recorder.send_signal(signal.SIGINT)
    for name, process in (("record", recorder), ("replay", player)):
        try:
            codes[name] = process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            codes[name] = process.wait()
    for spoiler in spoilers:
        spoiler.stop()
    said.close()
    troubles += [t for s in subjects for t in s.troubles()]
    troubles += [f"{name} ended with {code}" for name, code in codes.items() if code not in (0, 1, 3, 130)]
    troubles += [
        f"{name}: {screen.end!r}" for name, screen in (("watch", watch), ("link", judge)) if screen.said_traceback
    ]
    shown, kept = _verdicts(folder / "verdicts.jsonl"), _captured(folder / "cap")
    troubles += [f"no {verdict} was ever shown" for verdict in ("GRADE", "HOLD") if not shown.get(verdict)]
    if kept["lost"]:
        troubles.append(f"the recording lost {kept['lost']}")
    did = sum((spoiler.did for spoiler in spoilers), Counter())
    return {
        "speed": speed, "took_s": round(took_s), "seed": seed, "bytes": {"rover": spoilers[0].bytes, "corrections": spoilers[1].bytes},
        "faults": dict(did), "processes": [s.row() for s in subjects], "codes": codes, "verdict_log_lines": shown, "recorded": kept,
        "screen_bytes": watch.bytes, "troubles": troubles,
    }  # fmt: skip


def _verdicts(path: Path) -> dict[str, int]:
    from hubtack.live.verdict_log import read_verdict_log

    assert read_verdict_log(path).broken_at is None, "the chain of the verdict log is broken"
    lines = (json.loads(line) for line in path.read_text(encoding="utf-8").splitlines())
    return dict(Counter(str(line.get("verdict")) for line in lines))


def _captured(folder: Path) -> dict[str, int]:
    from hubtack.capture.reading import Losses, iter_capture
    from hubtack.readers.chunk import Chunk

    losses = Losses()
    sizes: Counter[str] = Counter()
    for event in iter_capture(folder, losses):
        if isinstance(event, Chunk):
            sizes[event.source] += len(event.data)
    return {**sizes, "lost": losses.bad_lines + losses.missing_bytes + losses.unindexed_bytes}


def main() -> int:
    """Exit 1 where anything was not as it should be."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--day", type=Path, help="folder of a session; else one of --hours is simulated")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--speed", type=float, default=100.0)
    parser.add_argument("--limit-s", type=float, default=1e9, help="end sooner")
    parser.add_argument("--seed", type=int, default=int(time.time()) % 100_000)
    args = parser.parse_args()
    signal.signal(
        signal.SIGINT, signal.default_int_handler
    )  # ignored, and so by our children, where a shell runs this behind
    with tempfile.TemporaryDirectory(prefix="soak") as name:
        folder, day = Path(name), args.day
        if day is None:
            day = folder / "day"
            faults = "burst_loss,link_stalled,heading_lost"
            done = hubtack(
                "simulate", "--minutes", str(args.hours * 60), "--fault", faults, "--out", str(day), cwd=folder
            ).wait()
            assert done == 0
        found = soak(day.resolve(), folder, args.speed, args.limit_s, args.seed)
    print(json.dumps(found, indent=1))
    return 1 if found["troubles"] else 0


if __name__ == "__main__":
    sys.exit(main())
