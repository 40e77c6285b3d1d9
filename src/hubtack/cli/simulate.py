"""``hubtack simulate``: writes a session with chosen faults, and the truth beside it."""

from __future__ import annotations

import argparse
from pathlib import Path

EXAMPLE = """
hubtack simulate --fault link_stalled --seed 7 --minutes 6 --out practice
hubtack simulate --list
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "--fault", default="", metavar="CODE[,CODE]", help="what goes wrong (--list names them); none: a clean day"
    )
    parser.add_argument(
        "--clean", default="untidy", metavar="VARIANT", help="which kind of ordinary day (--list names them)"
    )
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="the same seed gives the same bytes (default 1)"
    )
    parser.add_argument("--minutes", type=float, default=6.0, metavar="M", help="length of the session (default 6)")
    parser.add_argument(
        "--rate", type=float, default=1.0, metavar="HZ", help="epochs a second of the rover (default 1)"
    )
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="folder to write; must be new or empty")
    parser.add_argument(
        "--mixed", action="store_true", help="one mixed log in the order of arrival instead of separate logs"
    )
    parser.add_argument("--describe", default="", metavar="TEXT", help="what the session shows, for its README")
    parser.add_argument("--overwrite", action="store_true", help="write into a folder that holds files already")
    parser.add_argument("--list", action="store_true", help="name the faults and the kinds of ordinary day, and exit")


def run(args: argparse.Namespace) -> int:
    """Write the session; exit 0, or 2 where the arguments do not fit."""
    from hubtack.errors import UsageError
    from hubtack.simulate.faults import CLEAN, FAULTS
    from hubtack.simulate.session import simulate, write_folder

    if args.list:
        for title, table in (("faults", FAULTS), ("ordinary days", CLEAN)):
            print(f"{title}:")
            for name, apply in table.items():
                print(f"  {name:<22} {(apply.__doc__ or '').strip()}")
        return 0
    codes = [code for code in args.fault.split(",") if code]
    for given, table, what in ((codes, FAULTS, "fault"), ([args.clean], CLEAN, "kind of day")):
        for name in given:
            if name not in table:
                raise UsageError(f"no {what} {name!r} to simulate; hubtack simulate --list names them")
    if args.out is None:
        raise UsageError("--out FOLDER is missing: where to write the session")
    if not 0.5 <= args.minutes <= 24 * 60:
        raise UsageError(f"--minutes {args.minutes:g}: from 0.5 to 1440")
    if not 0.2 <= args.rate <= 50:
        raise UsageError(f"--rate {args.rate:g}: from 0.2 to 50 epochs a second")
    if args.out.exists() and not args.out.is_dir():
        raise UsageError(f"{args.out} is a file; name a folder")
    if args.out.is_dir() and any(args.out.iterdir()) and not args.overwrite:
        raise UsageError(f"{args.out} holds files already; name a new folder, or add --overwrite")
    result = simulate(codes, args.clean, args.seed, round(args.minutes * 60), args.rate)
    words = ["hubtack simulate"]
    words += [f"--fault {args.fault}"] if codes else []
    words += [f"--clean {args.clean}"] if args.clean != "untidy" else []
    words += [f"--seed {args.seed} --minutes {args.minutes:g} --rate {args.rate:g}"]
    words += ["--mixed"] if args.mixed else []
    words += [f"--out {args.out.name}"]
    paths = write_folder(result, args.out, mixed=args.mixed, command=" ".join(words), description=args.describe)
    print(f"wrote {', '.join(p.name for p in paths)} to {args.out}")
    return 0
