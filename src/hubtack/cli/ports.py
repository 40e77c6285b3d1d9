"""``hubtack ports``: the serial ports of this computer, and the speed of one."""

from __future__ import annotations

import argparse
import sys

from hubtack.cli import options

EXAMPLE = """
hubtack ports
hubtack ports --speed-of /dev/ttyUSB0
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("--speed-of", metavar="PORT", help="listen to PORT at the usual speeds and score what comes")
    parser.add_argument(
        "--seconds", type=options.seconds, default=2.5, metavar="S", help="listen so long at each speed (default 2.5)"
    )

    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Exit 0 where ports (or the speed) were found, 1 where not, 3 where the port cannot be opened."""
    if args.speed_of is None:
        return _list(as_json=args.json)
    return _speed(args.speed_of, args.seconds, as_json=args.json)


def _list(*, as_json: bool) -> int:
    from serial.tools import list_ports

    from hubtack.json_out import document, to_json
    from hubtack.safe import safe_text
    from hubtack.views.mounts_table import plain_columns

    rows = [
        (
            safe_text(port.device),
            safe_text(port.description or "-"),
            f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None and port.pid is not None else "-",
            safe_text(port.serial_number or "-"),
        )
        for port in sorted(list_ports.comports(), key=lambda p: p.device)
    ]
    if as_json:
        keys = ("port", "description", "usb_id", "serial_number")
        print(
            to_json(
                document(
                    "ports",
                    {
                        "ports": [
                            {key: None if cell == "-" else cell for key, cell in zip(keys, row, strict=True)}
                            for row in rows
                        ]
                    },
                )
            )
        )
        return 0 if rows else 1
    if not rows:
        print("hubtack ports: no serial port here; plug in the adapter, or check its driver", file=sys.stderr)
        return 1
    print("\n".join(plain_columns(rows, ("port", "description", "usb id", "serial number"))))
    return 0


def _speed(port: str, seconds: float, *, as_json: bool) -> int:
    import time

    from hubtack.json_out import document, to_json
    from hubtack.readers.serial_port import open_port
    from hubtack.readers.speed import detect
    from hubtack.readers.urls import parse_source

    spec = parse_source(port if "://" in port else f"serial://{port}")
    on_terminal = sys.stderr.isatty()

    def listen(baud: int) -> bytes:
        if on_terminal:
            print(f"\r{spec.label}: listening at {baud} baud ...   ", end="", file=sys.stderr, flush=True)
        data = bytearray()
        opened = open_port(spec, baud)
        try:
            opened.reset_input_buffer()
            until = time.monotonic() + seconds
            while time.monotonic() < until and len(data) < 65_536:
                data += opened.read(max(1, min(opened.in_waiting, 4096)))
        finally:
            opened.close()
        return bytes(data)

    best, scores = detect(listen)
    if on_terminal:
        print(file=sys.stderr)
    if as_json:
        print(
            to_json(
                document(
                    "ports",
                    {
                        "port": spec.path,
                        "baud": best,
                        "scores": [
                            {
                                "baud": baud,
                                "bytes": found.total_bytes,
                                "sentences": found.sentences,
                                "frames": found.frames,
                                "good_share": found.share,
                            }
                            for baud, found in scores.items()
                        ],
                    },
                )
            )
        )
        return 0 if best is not None else 1
    for baud, found in scores.items():
        print(
            f"{baud:>7} baud: {found.total_bytes} bytes, {found.sentences} sentences, {found.frames} RTCM frames, "
            f"{100 * found.share:.0f} % good"
        )
    if best is not None:
        print(f"use serial://{spec.path}?baud={best}")
        return 0
    if not any(found.total_bytes for found in scores.values()):
        print("nothing came at any speed: is the device on, is the cable a data cable, are RX and TX crossed?")
    else:
        print("bytes came and no good frame at any speed: another protocol, inverted levels, or a noisy line")
    return 1
