"""Share files: what is damaged, hostile, doubled or unlike ends in one line."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.errors import OutcomesError, OutputError, UsageError
from outcomes.pool.share import ShareError, read_share
from outcomes.report.share_file import (
    check_share_out,
    read_share_file,
    read_shares,
    share_bytes,
)
from tests.pool.shares import DEFINITION, share_of, shares_of

GOOD = json.loads(share_bytes(share_of("aaaa", (-0.5, 0.1))))


def with_surface(**changes) -> dict:
    return GOOD | {"surface": GOOD["surface"] | changes}


DAMAGED = {
    "empty": b"",
    "not JSON": b"unit_code,through\n",
    "cut short": share_bytes(share_of("aaaa", (-0.5, 0.1)))[:-200],
    "not UTF-8": b'{"format": 1, "unit_code": "\xff\xfe"}',
    "deep": b"[" * 100_000,
    "deep within": b'{"format": ' + b"[" * 50_000,
    "NaN": json.dumps(with_surface(cut=float("nan"))).encode(),
    "a list": b"[]",
    "other format": json.dumps(GOOD | {"format": 2}).encode(),
    "code of markup": json.dumps(GOOD | {"unit_code": "<b>x</b>"}).encode(),
    "code of lines": json.dumps(GOOD | {"unit_code": "abcd\n"}).encode(),
    "code of a path": json.dumps(GOOD | {"unit_code": "../../x"}).encode(),
    "quarter five": json.dumps(GOOD | {"through": "2026-Q5"}).encode(),
    "no certificate": json.dumps(with_surface(certified=False)).encode(),
    "ragged": json.dumps(
        with_surface(log_likelihood=GOOD["surface"]["log_likelihood"][:-1])
    ).encode(),
    "uneven steps": json.dumps(with_surface(age=[*GOOD["surface"]["age"][:-1], 99.0])).encode(),
    "steps of a third": json.dumps(
        with_surface(age=[v / 3 for v in GOOD["surface"]["age"]])
    ).encode(),
    "falling steps": json.dumps(with_surface(age=GOOD["surface"]["age"][::-1])).encode(),
    "all unknown": json.dumps(
        with_surface(log_likelihood=[[None] * len(r) for r in GOOD["surface"]["log_likelihood"]])
    ).encode(),
    "far too low": json.dumps(
        with_surface(log_likelihood=[[-900.0] * len(r) for r in GOOD["surface"]["log_likelihood"]])
    ).encode(),
    "above its best": json.dumps(
        with_surface(log_likelihood=[[0.5] * len(r) for r in GOOD["surface"]["log_likelihood"]])
    ).encode(),
    "huge lattice": json.dumps(with_surface(age=list(range(5000)))).encode(),
    "minus counts": json.dumps(GOOD | {"counts": GOOD["counts"] | {"trials": -5}}).encode(),
    "words for counts": json.dumps(GOOD | {"counts": GOOD["counts"] | {"trials": "many"}}).encode(),
    "long sentence": json.dumps(GOOD | {"sentence": "x" * 9000}).encode(),
    "terms of markup": json.dumps(
        GOOD | {"definition": GOOD["definition"] | {"terms": ["<script>"]}}
    ).encode(),
    "bend with a surface": json.dumps(GOOD | {"shape": "bend"}).encode(),
    "line without one": json.dumps(GOOD | {"surface": None}).encode(),
}


@pytest.mark.parametrize("name", DAMAGED)
def test_a_damaged_share_ends_in_one_line(name, tmp_path) -> None:
    path = tmp_path / "share.json"
    path.write_bytes(DAMAGED[name])
    with pytest.raises(ShareError) as told:
        read_share_file(path)
    assert len(str(told.value).splitlines()) == 1
    assert str(path) in str(told.value)
    assert len(str(told.value)) < 600


@settings(max_examples=300)
@given(st.data())
def test_any_change_of_bytes_is_read_or_refused(data) -> None:
    text = bytearray(share_bytes(share_of("aaaa", (-0.5, 0.1))))
    for _ in range(data.draw(st.integers(1, 6))):
        place = data.draw(st.integers(0, len(text) - 1))
        text[place] = data.draw(st.integers(0, 255))
    share, told = None, ""
    try:
        share = read_share(bytes(text))
    except OutcomesError as error:
        told = str(error)
    assert len(told.splitlines()) == (0 if share is not None else 1)
    if share is not None and share.surface is not None:
        share.surface.as_function()


def test_what_is_written_is_read_again(tmp_path) -> None:
    for share in (*shares_of(2), share_of("zzzz", None), share_of("yyyy", (0.2,))):
        path = tmp_path / "share.json"
        path.write_bytes(share_bytes(share))
        assert read_share_file(path) == share


def test_a_file_too_large_is_not_read(tmp_path) -> None:
    path = tmp_path / "share.json"
    path.write_bytes(b" " * 1_000_001)
    with pytest.raises(ShareError, match="larger than any share"):
        read_share_file(path)


@pytest.mark.parametrize("name", ["missing.json", ""])
def test_no_such_file_is_told(name, tmp_path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        read_share_file(tmp_path / name)


def written(folder: Path, *shares) -> list[Path]:
    paths = []
    for number, share in enumerate(shares):
        path = folder / f"{number}.json"
        path.write_bytes(share_bytes(share))
        paths.append(path)
    return paths


def test_the_later_share_of_a_unit_is_used(tmp_path) -> None:
    one = share_of("aaaa", (-0.5, 0.1))
    later = share_of("aaaa", (-0.6, 0.1), through="2026-Q4")
    for order in ((one, later), (later, one)):
        read = read_shares(written(tmp_path, *order, share_of("bbbb", (-0.4, 0.0))))
        assert [s.through for s in read.shares if s.unit_code == "aaaa"] == ["2026-Q4"]
        assert "of one unit (aaaa)" in read.told[0]


def test_one_quarter_told_twice_and_differently_is_refused(tmp_path) -> None:
    paths = written(tmp_path, share_of("aaaa", (-0.5, 0.1)), share_of("aaaa", (-0.6, 0.1)))
    with pytest.raises(ShareError, match="one quarter, and differ"):
        read_shares(paths)


def test_a_copy_under_another_code_is_told(tmp_path) -> None:
    paths = written(tmp_path, *(share_of(c, (-0.5, 0.1)) for c in ("aaaa", "bbbb")))
    read = read_shares(paths)
    assert len(read.shares) == 1
    assert "taken for a copy" in read.told[0]


def test_unlike_definitions_are_refused_with_the_mend(tmp_path) -> None:
    other = replace(DEFINITION, thaw_after_h=2.0)
    paths = written(
        tmp_path, share_of("aaaa", (-0.5, 0.1)), share_of("bbbb", (-0.4, 0.1), definition=other)
    )
    with pytest.raises(ShareError, match=r"set thaw_after_h under \[exposure\] in unit\.toml"):
        read_shares(paths)


def test_only_a_share_may_be_written_over_and_only_as_the_last(tmp_path) -> None:
    (path,) = written(tmp_path, share_of("aaaa", (-0.5, 0.1)))
    check_share_out(path, path)
    with pytest.raises(UsageError, match="--after"):
        check_share_out(path, None)
    foreign = tmp_path / "notes.json"
    foreign.write_text("{}")
    with pytest.raises(OutputError, match="not a share"):
        check_share_out(foreign, None)
    with pytest.raises(UsageError, match=r"ends in \.json"):
        check_share_out(tmp_path / "share.txt", None)
