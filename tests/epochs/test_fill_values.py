"""Values of a row out of columns of sentences: dates that are none, many meanings in one column, empty fields."""

from __future__ import annotations

import datetime as dt

import numpy as np
from tests.rover_text import clock, gga, sentence

from hubtack.decode.decoder import Decoder
from hubtack.epochs import fill
from hubtack.epochs.assemble import Assembler
from hubtack.epochs.columns import Epochs
from hubtack.epochs.fill import _by_value, _many_days


def rows_of(data: bytes) -> Epochs:
    decoder, assembler = Decoder(), Assembler()
    parts = [assembler.feed(decoder.feed(data).sentences), assembler.feed(decoder.flush().sentences)]
    return Epochs.concat([*parts, assembler.close()])


def test_nothing_joined_is_no_row() -> None:
    assert len(Epochs.concat([])) == 0 and len(Epochs.concat([Epochs.blank(3)])) == 3


def test_each_value_of_a_column_gets_its_own_meaning_however_many_there_are() -> None:
    asked: list[int] = []

    def meaning(values: np.ndarray) -> np.ndarray:
        asked.append(len(values))
        return values * 10.0

    for column in ([4.0] * 9, [1.0, 2.0, 1.0], [float(i % 30) for i in range(90)], [np.nan, 3.0], [np.nan, np.nan]):
        asked.clear()
        given = np.array(column, dtype=np.float64)
        np.testing.assert_array_equal(_by_value(given, meaning), given * 10.0)
        assert sum(asked) <= len(np.unique(given[~np.isnan(given)])) <= 30
    # Exactly as many as are asked for one by one, and one more.
    for n in (fill._FEW, fill._FEW + 1):
        given = np.arange(float(n))
        np.testing.assert_array_equal(_by_value(given, meaning), given * 10.0)


def test_days_are_those_of_the_calendar_and_no_date_is_none() -> None:
    dates = [(2024, 2, 29), (2023, 2, 29), (1999, 12, 31), (1980, 1, 1), (2099, 12, 31), (2026, 11, 30)]
    wrong = [(1979, 12, 31), (2100, 1, 1), (2026, 0, 1), (2026, 13, 1), (2026, 5, 0), (2026, 5, 32), (2026, 11, 31)]

    def expected(year: int, month: int, day: int) -> float:
        try:
            return float((dt.date(year, month, day) - dt.date(1970, 1, 1)).days)
        except ValueError:
            return float("nan")

    columns = np.array(dates, dtype=np.float64).T
    np.testing.assert_array_equal(_many_days(*columns), [expected(*d) for d in dates])
    assert np.isnan(_many_days(*np.array(wrong, dtype=np.float64).T)).all()
    assert np.isnan(_many_days(*np.full((3, 2), np.nan))).all()


def test_a_zda_without_a_date_dates_nothing() -> None:
    tod = 36_000_000
    with_date = sentence(f"GNZDA,{clock(tod)},18,04,2026,00,00")
    without = sentence(f"GNZDA,{clock(tod)},,,,00,00")
    assert rows_of(gga(tod) + with_date).date_day[0] == (dt.date(2026, 4, 18) - dt.date(1970, 1, 1)).days
    assert np.isnan(rows_of(gga(tod) + without).date_day[0])
    assert np.isnan(rows_of(gga(tod) + without + gga(tod + 1000) + without).date_day).all()


def test_a_value_that_no_sentence_of_a_row_has_stays_unknown() -> None:
    tod = 36_000_000
    double = gga(tod, age_s=None) + gga(tod, age_s=None, talker="GP") + gga(tod + 1000, age_s=2.0)
    epochs = rows_of(double + gga(tod + 2000, age_s=None) + gga(tod + 2000, age_s=None, talker="GP"))
    assert np.isnan(epochs.age_s[[0, 2]]).all() and epochs.age_s[1] == 2.0
    alone = rows_of(gga(tod, age_s=None) + gga(tod, age_s=None, talker="GP"))
    assert len(alone) == 1 and np.isnan(alone.age_s[0])


def test_the_stamp_of_a_logger_is_the_newest_of_the_row_s_sentences() -> None:
    log = b"".join(
        b"2026-04-18T10:00:%06.3fZ " % (i + part) + line
        for i in range(3)
        for part, line in ((0.1, gga(36_000_000 + i * 1000)), (0.4, sentence(f"GNGST,{clock(36_000_000 + i * 1000)},1,1,1,0,1,1,1")))
    )  # fmt: skip
    stamps = rows_of(log).stamp_utc_s
    start = dt.datetime(2026, 4, 18, 10, tzinfo=dt.UTC).timestamp()
    np.testing.assert_allclose(stamps, start + np.array([0.4, 1.4, 2.4]), atol=1e-3)
