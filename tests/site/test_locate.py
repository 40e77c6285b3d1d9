"""Lines of keys, checked against tomllib: what it finds as a key, stands on the line that is named."""

from __future__ import annotations

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from hubtack.site.locate import key_lines, line_of
from hubtack.site.page import example_toml


def _leaves(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    if isinstance(value, dict):
        return [leaf for name, inner in value.items() for leaf in _leaves(inner, (*path, name))]
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return [leaf for i, inner in enumerate(value) for leaf in _leaves(inner, (*path, i))]
    return [path]


def test_every_key_of_the_example_stands_on_its_line() -> None:
    text = example_toml()
    lines = key_lines(text)
    for path in _leaves(tomllib.loads(text)):
        assert str(path[-1]) in text.splitlines()[lines[path] - 1], path


def test_strings_and_comments_and_arrays_do_not_lead_astray() -> None:
    text = (
        '# reach_m = 1\nname = """\n[machine]\nreach_m = 2\n"""\nlist = [\n  [1],\n  # x = [\n  [2, 3],\n  [4]\n]\n'
        'deep = [ { a = 1 }, { b = { c = "}" } } ]\n[machine] # [job]\nname = "a # b" # c\nreach_m = 3\n'
        "[ job ]\nx.y = 1\n[[m]]\nk = 1\n[[m]]\nk = 2\n"
    )
    assert tomllib.loads(text)["machine"]["reach_m"] == 3
    lines = key_lines(text)
    assert lines[("name",)] == 2
    assert lines[("list",)] == 6
    assert lines[("deep", 0, "a")] == lines[("deep", 1, "b", "c")] == 12
    assert lines[("machine",)] == 13
    assert lines[("machine", "name")] == 14
    assert lines[("machine", "reach_m")] == 15
    assert lines[("job", "x", "y")] == 17
    assert lines[("m", 0, "k")] == 19
    assert lines[("m", 1, "k")] == 21
    assert line_of(lines, ("machine", "none")) == 13
    assert line_of(lines, ("none", "none")) is None


@given(text=st.text(alphabet="ab.=[]{},\n\"'# 1", max_size=80))
def test_any_text_has_lines_that_are_in_it(text: str) -> None:
    assert all(1 <= line <= text.count("\n") + 1 for line in key_lines(text).values())
