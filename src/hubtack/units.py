"""Lengths in the three units a site uses, and the exact factors between them.

The international foot and the US survey foot are kept apart by name: 2 ppm between them is 1 m in 500 km of
state-plane northing.
"""

from __future__ import annotations

from dataclasses import dataclass

FOOT_M = 0.3048  # international foot, exact (1959 agreement)
US_SURVEY_FOOT_M = 1200.0 / 3937.0  # Federal Register vol. 85 no. 193, 5 Oct 2020, p. 62698
KNOT_M_S = 1852.0 / 3600.0  # exact; the international nautical mile of 1929


@dataclass(frozen=True)
class LengthUnit:
    """A unit of length: its key in the site file, its symbol, its size in metres and the decimals shown."""

    key: str
    symbol: str
    name: str
    size_m: float
    decimals: int

    def of(self, length_m: float) -> float:
        """``length_m`` in this unit."""
        return length_m / self.size_m

    def text(self, length_m: float) -> str:
        """``length_m`` with the symbol, to a millimetre or a hundredth of a foot."""
        return f"{length_m / self.size_m:.{self.decimals}f} {self.symbol}"


METRE = LengthUnit("m", "m", "metre", 1.0, 3)
FOOT = LengthUnit("ft", "ft", "international foot", FOOT_M, 2)
US_SURVEY_FOOT = LengthUnit("ft_us", "ftUS", "US survey foot", US_SURVEY_FOOT_M, 2)
UNITS = {unit.key: unit for unit in (METRE, FOOT, US_SURVEY_FOOT)}


def small_text(length_m: float, unit: LengthUnit, *, signed: bool = False) -> str:
    """A short length as the trade says it: whole millimetres, or hundredths of a foot ("50 mm", "0.16 ft")."""
    sign = "+" if signed else ""
    if unit.key == "m":
        return f"{length_m * 1000:{sign}.0f} mm"
    return f"{length_m / unit.size_m:{sign}.2f} {unit.symbol}"
