"""``hubtack setout``: what two touched points are worth at the far end of their line, and for the fall between them."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from hubtack.cli import lengths, options
from hubtack.errors import UsageError
from hubtack.units import METRE

if TYPE_CHECKING:
    from hubtack.documents.setout import Answers

EXAMPLE = """
hubtack setout --separation-m 3ft --length-m 100ft --sigma-m 10mm --tolerance-m 0.05
hubtack setout --first 5000.012,8000.004,21.310 --second 5024.968,8000.019,21.205 --sigma-m 0.012 \\
    --design-distance-m 25 --design-grade -0.4 --pipe-mm 200
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command. Lengths are metres unless a unit is written behind them."""
    length = lengths.positive_length_m
    parser.add_argument(
        "--separation-m",
        type=length,
        metavar="D",
        help="distance between the two touched points [m]; 3ft, 10mm and 3ftUS are taken too",
    )
    parser.add_argument(
        "--length-m",
        type=length,
        metavar="L",
        help="from the first point to the far end of the line [m] (with two points: default their distance)",
    )
    parser.add_argument(
        "--sigma-m",
        type=length,
        required=True,
        metavar="S",
        help="1 sigma per axis of each touch [m], the two independent",
    )
    parser.add_argument(
        "--sigma-height-m",
        type=length,
        metavar="S",
        help="the same in height [m] (default S; RTK heights are about twice as uncertain)",
    )
    parser.add_argument(
        "--tolerance-m", type=length, metavar="T", help="tolerance at the far end at 95 %% [m], in plan and in height"
    )
    points = parser.add_argument_group("two measured points, in metres of one grid")
    points.add_argument("--first", type=lengths.three_numbers, metavar="E,N,H", help="the first point")
    points.add_argument("--second", type=lengths.three_numbers, metavar="E,N,H", help="the second point")
    points.add_argument(
        "--offset-of",
        type=lengths.three_numbers,
        metavar="E,N,H",
        help="a third point: how far along, beside and above the line is it?",
    )
    points.add_argument(
        "--design-distance-m", type=length, metavar="D", help="what the design says between the two points [m]"
    )
    points.add_argument(
        "--design-grade",
        type=_percent,
        metavar="PERCENT",
        help="what the design says of the fall; the sign is not looked at",
    )
    pipe = points.add_mutually_exclusive_group()
    pipe.add_argument(
        "--pipe-mm", type=_size, metavar="MM", help="diameter of a gravity sewer: is its least slope shown?"
    )
    pipe.add_argument("--pipe-in", type=_size, metavar="IN", help="the same in inches")
    parser.add_argument(
        "--units",
        type=lengths.unit,
        default=METRE,
        metavar="m|ft|ft_us",
        help="unit of the answer (default m; JSON stays in metres)",
    )
    options.add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Exit 0, or 1 where a tolerance, a design distance or a fall was asked about and the answer is no."""
    from hubtack.control import setout as so
    from hubtack.documents.setout import Answers, setout_document
    from hubtack.json_out import to_json
    from hubtack.knowledge.pipe_slopes import INCH_MM, least_slope

    if (args.first is None) != (args.second is None):
        raise UsageError("--first and --second belong together")
    sigma_height_m = args.sigma_height_m if args.sigma_height_m is not None else args.sigma_m
    line = offset = None
    separation_m = args.separation_m
    if args.first is not None:
        if separation_m is not None:
            raise UsageError("--separation-m is not needed with --first and --second: it is their distance")
        try:
            line = so.line_between(args.first, args.second, sigma_m=args.sigma_m, sigma_height_m=sigma_height_m)
        except ValueError as err:
            raise UsageError(f"--first and --second: {err}; touch two points that are apart") from None
        separation_m = line.distance_m
    if separation_m is None:
        raise UsageError("give --separation-m, or two measured points with --first and --second")
    length_m = args.length_m if args.length_m is not None else (separation_m if line else None)
    if length_m is None:
        raise UsageError("--length-m is missing: from the first touched point to the far end of the line")
    if args.sigma_m > 0.3 * separation_m:
        raise UsageError(
            f"a sigma of {args.sigma_m:g} m over a separation of {separation_m:g} m says nothing about a bearing; "
            "is one of them in another unit? (10mm, 3ft)"
        )
    for name in ("offset_of", "design_distance_m", "pipe_mm", "pipe_in"):
        if getattr(args, name) is not None and line is None:
            raise UsageError(f"--{name.replace('_', '-')} needs --first and --second")
    if args.offset_of is not None:
        offset = so.offset_from_line(
            args.first, args.second, args.offset_of, sigma_m=args.sigma_m, sigma_height_m=sigma_height_m
        )
    diameter_mm = args.pipe_in * INCH_MM if args.pipe_in is not None else args.pipe_mm
    least = least_slope(diameter_mm) if diameter_mm is not None else None
    if diameter_mm is not None and least is None:
        raise UsageError(f"no least slope for {diameter_mm:g} mm in the table, which begins at 8 in (200 mm)")
    answers = Answers(
        result=so.set_out(
            separation_m=separation_m, length_m=length_m, sigma_m=args.sigma_m, sigma_height_m=sigma_height_m,
            tolerance_95_m=args.tolerance_m,
        ),
        separation_m=separation_m,
        length_m=length_m,
        sigma_m=args.sigma_m,
        sigma_height_m=sigma_height_m,
        tolerance_95_m=args.tolerance_m,
        line=line,
        offset=offset,
        design_distance_m=args.design_distance_m,
        design_grade=None if args.design_grade is None else abs(args.design_grade) / 100.0,
        least=least,
    )  # fmt: skip
    if args.json:
        print(to_json(setout_document(answers)))
    else:
        from hubtack.views.paragraphs import text_columns
        from hubtack.views.setout_report import setout_text

        print(setout_text(answers, args.units, text_columns()))
    return _exit_code(answers)


def _exit_code(answers: Answers) -> int:
    return 1 if answers.says_no() else 0


def _percent(text: str) -> float:
    try:
        value = float(text.removesuffix("%"))
    except ValueError:
        value = float("nan")
    if not 0 < abs(value) <= 100:
        raise argparse.ArgumentTypeError(f"{text!r} is not a grade in per cent, such as 0.4 or -2")
    return value


def _size(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0 < value < 10_000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a diameter")
    return value
