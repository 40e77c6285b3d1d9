"""The page as a whole: what it says, what it must never say, and that nothing in it can act."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from tests.fleet.made_fleet import T0, finding, fleet, loss, made, moved, sample

from hubtack.errors import UsageError
from hubtack.fleet.report import report_html
from hubtack.fleet.report.definitions import DEFINITIONS
from hubtack.logs.discover import SkippedFile

DOCS = Path(__file__).parents[2] / "docs" / "report.md"
VOID = {"meta", "link", "br", "img", "hr"}


class Page(HTMLParser):
    """Tags, attributes and text of a page; ``errors`` are tags that do not match."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.errors: list[str] = []
        self.words: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.tags.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list) -> None:
        self.tags.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.errors.append(f"</{tag}> at {self.getpos()}")

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def html() -> str:
    return report_html(fleet(), zone="Pacific/Auckland", title="Aldermere bank", made_utc="2031-03-06 01:00 UTC")


def test_the_page_is_well_formed_and_every_link_leads_somewhere(html: str) -> None:
    page = Page(html)
    assert page.errors == [] and page.open == []
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    targets = {a["href"][1:] for t, a in page.tags if t == "a"}
    assert targets and targets <= set(ids)
    assert {f"p-{n}" for n in ("rough", "nolog")} <= set(ids)


def test_the_page_needs_no_script_no_network_and_no_other_file(html: str) -> None:
    page = Page(html)
    assert not {t for t, _ in page.tags} & {
        "script",
        "iframe",
        "img",
        "object",
        "embed",
        "form",
        "base",
        "audio",
        "video",
    }
    assert not [k for _, a in page.tags for k in a if k.startswith("on") or k == "src"]
    assert "http:" not in html and "https:" not in html and "@import" not in html and "javascript:" not in html
    assert [a["href"] for t, a in page.tags if t == "link"] == ["data:,"]
    policy = next(a["content"] for t, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")


def named(name: str) -> str:
    """A page in which everything that can come from outside is ``name``."""
    account = made(
        name, key="k", lost={1: 30.0}, losses=[loss(60.0, cause=name)],
        findings=[finding(name, [(60.0, 90.0)], summary=name, next_steps=[name])],
        site_file=name, site_sha256=name, software=name, not_covered=[name], files=[{"path": name, "bytes": 1, "sha256": name}],
        limits={name: 1.0}, as_shown={"grade_s": 1.0, "rough_s": 0.0, "hold_s": 0.0, "broken_at": name},
    )  # fmt: skip
    base = {"id": name, "latitude_deg": -45.0, "longitude_deg": 170.0, "arp_ecef_m": [-4449031.0, 784486.0, -4487348.0]}
    workable = [{"class": name, "vertical_95_m": 0.05, "share": 0.5}]
    document = {**account.document, "name": name, "workable": workable}
    account = replace(account, document=document, bases=[base])
    skipped = [SkippedFile(Path(name), 3, name)]
    return report_html([account], skipped, title=name, notices=[name], before=[account], made_utc=name)


@pytest.mark.parametrize(
    "name",
    [
        "<script>alert(1)</script>",
        '"><img src=x onerror=alert(1)>',
        "{{ 7 * 7 }}{% raw %}",
        "</style><svg onload=alert(1)>",
        "</title><base href=x.example>",
        "a\x1b[2J\u202eb",
        "=1+1",
        "x" * 3000,
    ],
)
def test_hostile_names_are_shown_and_do_nothing(name: str) -> None:
    html = named(name)
    page, plain = Page(html), Page(named("Digger 7"))
    assert page.errors == [] and page.open == []
    assert [(t, sorted(a)) for t, a in page.tags] == [
        (t, sorted(a)) for t, a in plain.tags
    ]  # not one tag or attribute more
    assert "\x1b" not in html and "\u202e" not in html
    if len(name) < 80 and name.isprintable():
        assert "".join(page.words).count(name) == "".join(plain.words).count("Digger 7") > 15
    assert len(html) < 3 * len(named("Digger 7"))


def test_figures_are_the_sums_of_the_sessions(html: str) -> None:
    accounts, text = fleet(), Page(html).text
    lost_s = sum(a.document["lost_working_s"] for a in accounts)
    s = round(lost_s)
    assert f"{s // 3600}:{s % 3600 // 60:02d}:{s % 60:02d} lost working time" in text
    assert "2 machines, 5 sessions" in text
    assert f"{sum(a.document['fix_losses'] for a in accounts)} losses of the fix" in text


def test_the_machine_with_most_lost_time_comes_first() -> None:
    html = report_html([made("Dozer 2", lost={0: 10.0}), made("Digger 7", lost={0: 50.0}), made("Roller 5")])
    names = re.findall(r'<td class="name"><span>([^<]+)</span></td><td class="n" data-is="lost">', html)
    assert names[:3] == ["Digger 7", "Dozer 2", "Roller 5"]


def test_every_figure_has_its_definition_in_the_page_and_in_the_docs(html: str) -> None:
    text, docs = Page(html).text, DOCS.read_text(encoding="utf-8")
    flat = re.sub(r"\s+", " ", docs)
    for row in DEFINITIONS:
        assert row.text in text, row.key
        assert row.name in flat and row.text in flat, f"docs/report.md lacks {row.key}"


def test_times_stand_in_the_zone_and_in_utc(html: str) -> None:
    text = Page(html).text
    assert "2031-03-04 08:00:00 (03-03 19:00:00 UTC)" in text  # Pacific/Auckland is 13 h ahead in March (IANA tzdata)
    assert ">2031-03-04 " in html and ">2031-03-05 " in html


def test_no_data_is_kept_apart_from_no_log_and_from_no_problem() -> None:
    account = made("Digger 7", 10)
    account.minutes["no_data_s"][4], account.minutes["hold_s"][4], account.minutes["grade_s"][4] = 50.0, 50.0, 10.0
    html = report_html([account, made("Digger 7", 5, start_s=1500.0, key="later")])
    text = Page(html).text
    assert "0:00:50 no data" in text
    assert 'class="silent" d="M4 ' in html  # silence in the minute in which it was
    assert 'class="nolog" d="M10 0h15v' in html  # and no log from the tenth minute to the next session
    assert not re.search(r'class="hold" d="M4 ', html)  # drawn as silence, not as HOLD with data
    assert "No session names anything that was not covered" in text


def test_an_audit_without_a_session_says_that_it_knows_nothing() -> None:
    html = report_html([], [SkippedFile(Path("x.nmea"), 0, "the file is empty")])
    text = Page(html).text
    assert Page(html).errors == []
    assert "no sign that all was well" in text and "the file is empty" in text
    assert "No date is known" in text


def test_a_session_without_a_date_is_drawn_by_its_time_of_day() -> None:
    text = Page(report_html([made("Digger 7", dated=False)], zone="Pacific/Auckland")).text
    assert "date unknown: session" in text and "19:00" in text and "times of day are UTC" in text
    assert "1 session has no date" in text


def test_an_unknown_zone_is_a_sentence() -> None:
    for zone in ("Mars/Base", "../../etc/passwd", ""):
        with pytest.raises(UsageError, match="time zone"):
            report_html([], zone=zone)


def test_the_period_before_stands_beside_this_one() -> None:
    html = report_html(
        [made("Digger 7", 90, key="n", lost={0: 54.0})], before=[made("Digger 7", 90, key="b", lost={0: 60.0, 1: 48.0})]
    )
    text = Page(html).text
    assert "all machines 2 % 1 % -1.0" in text
    assert "No earlier period was given" in Page(report_html([made("Digger 7")])).text


def test_cost_appears_only_where_a_price_is_given() -> None:
    assert "currency of the site files" not in report_html([made("Digger 7", lost={0: 60.0})])
    html = report_html(
        [made("Digger 7", lost=dict.fromkeys(range(6), 60.0), cost_per_h=250.0), made("Dozer 2", lost={0: 60.0})]
    )
    text = Page(html).text
    assert "25 cost" in text
    assert "1 min 00 s of lost working time has no price: no cost per hour for Dozer 2" in text


def test_provenance_names_software_site_file_limits_and_hashes(html: str) -> None:
    text = Page(html).text
    account = sample("good_day")
    assert account.provenance["software"] in text
    assert account.provenance["site_sha256"] in text
    for file in account.provenance["files"]:
        assert file["sha256"] in text
    assert "correction_age_hold_s" in text
    changed = made("Digger 7", limits={"correction_age_hold_s": 20.0})
    assert "correction_age_hold_s 20 s (usually 30)" in Page(report_html([changed])).text


def test_as_shown_stands_beside_recomputed() -> None:
    shown = {"grade_s": 400.0, "rough_s": 0.0, "hold_s": 200.0, "broken_at": 14}
    text = Page(report_html([made("Digger 7", as_shown=shown)])).text
    assert "Digger 7 1 0:06:40 0:10:00 0:00:00 0:00:00 0:03:20 0:00:00" in text
    assert "broken at line 14" in text
    assert "No verdict log lies beside" in Page(report_html([made("Digger 7")])).text


def test_shares_workable_are_weighted_by_recorded_time() -> None:
    def with_share(minutes: int, share: float, key: str):
        account = made("Digger 7", minutes, key=key)
        row = {"class": "trench", "vertical_95_m": 0.05, "horizontal_95_m": 0.1, "share": share}
        return replace(account, document={**account.document, "workable": [row]})

    text = Page(report_html([with_share(10, 1.0, "a"), with_share(30, 0.0, "b")])).text
    assert re.search(r"trench ±50 mm all machines 25 % Digger 7 25 %", text)


def test_two_logs_of_one_name_at_one_time_are_a_caution() -> None:
    text = Page(report_html([made("Digger 7", key="1"), made("Digger 7", key="2", start_s=60.0)])).text
    assert "overlap in time: two machines of one name, or one logged twice" in text


def test_a_base_that_moved_between_days_is_marked() -> None:
    one, other = moved(sample("good_day"), T0, "Digger 7", "1"), moved(sample("link_stalled"), T0, "Digger 7", "2")
    base = one.bases[0]
    x, y, z = base["arp_ecef_m"]
    later = {
        **base,
        "arp_ecef_m": [x * (1 + 5e-9), y * (1 + 5e-9), z * (1 + 5e-9)],
        "first_utc": "2031-03-04T19:00:00Z",
    }
    html = report_html([one, replace(other, bases=[later])])
    assert "A base moved." in html and "■ 32 mm" in html  # 5e-9 of 6367 km, up


def test_an_account_whose_columns_differ_in_length_is_refused() -> None:
    account = made("Digger 7")
    account.minutes["hold_s"].pop()
    with pytest.raises(ValueError, match="hold_s has 9 of 10"):
        report_html([account])


def test_accounts_are_gone_through_once(html: str) -> None:
    assert (
        report_html(iter(fleet()), zone="Pacific/Auckland", title="Aldermere bank", made_utc="2031-03-06 01:00 UTC")
        == html
    )
