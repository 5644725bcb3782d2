"""The face of the sheets: in the page, with the letters it needs and its licence."""

import base64
import io
import re

import matplotlib
from fontTools.ttLib import TTFont

from outcomes.report import paper_face
from outcomes.report.paper_face import paper_faces


def _letters(font: bytes) -> set[str]:
    return {chr(code) for code in TTFont(io.BytesIO(font)).getBestCmap()}


def test_face_has_every_letter_needed() -> None:
    ascii_ = set(map(chr, range(32, 127)))
    for face in paper_faces("−5 °C, Łódź"):
        assert _letters(face.font) == ascii_ | set("−°Łóź")


def test_a_letter_it_lacks_is_left_to_the_reader() -> None:
    assert all("骨" not in _letters(face.font) for face in paper_faces("骨 7"))


def test_the_same_letters_give_the_same_bytes() -> None:
    first = paper_faces("°−")
    paper_face._cut_down.cache_clear()
    assert paper_faces("−°°") == first


def test_face_keeps_licence_not_name() -> None:
    for face in paper_faces(""):
        names = TTFont(io.BytesIO(face.font))["name"].names
        assert {name.nameID for name in names} == {0, 13}
        (licence, *_) = [str(name) for name in names if name.nameID == 13]
        assert "Open Font License" in licence


def test_a_page_without_the_face_is_still_made(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(matplotlib, "get_data_path", lambda: str(tmp_path))
    paper_face._cut_down.cache_clear()
    assert paper_faces("a") == ()
    paper_face._cut_down.cache_clear()


def test_page_carries_both_weights(briefing_of) -> None:
    page = (briefing_of("one source").folder / "briefing.html").read_text(encoding="utf-8")
    found = re.findall(
        r'@font-face { font-family: "On paper"; font-weight: (\d+); '
        r"src: url\(data:font/ttf;base64,([A-Za-z0-9+/=]+)\); }",
        page,
    )
    assert [weight for weight, _ in found] == ["400", "700"]
    text = set(re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)) - {"\n", "\t"}
    for _, held in found:
        assert text <= _letters(base64.b64decode(held))
