"""The section on guides: there with a guide, away without, every text escaped, memory marked."""

from __future__ import annotations

from dataclasses import replace

from vrx.model import Guide, GuideTable

GUIDE = Guide(
    nutrient="K2O", id="own-guide", name="Own <guide>", source="A page. B, 2020; p. 1 (user)",
    origin="user", evidence=("read", "from memory"), reads=("potassium by olsen: p. 1 (read)",),
    options=(("rating", '"low" & more'),),
    tables=(GuideTable(heading="rates", columns=("rating", "lb/ac"), rows=(("low", "300"),),
                       locator="table 1", evidence="from memory"),),
    refuses=("crops other than alfalfa",), cautions=("split it (p. 2; read)",), examples=1,
    no_published_example_because="none is printed",
)


def section(text: str) -> str:
    return text[text.index('<section id="guides"'):text.index('<section id="order"')]


def test_a_guide_is_told_in_full_and_escaped(job, written) -> None:
    text = section(written(replace(job, guides=(GUIDE,))))
    for words in ("Own &lt;guide&gt;", "a book of your own", "potassium by olsen",
                  "rating = &#34;low&#34; &amp; more", "<td>300</td>", "table 1 (from memory)",
                  "split it", "crops other than alfalfa", "1 worked example in the book",
                  "none is printed", "Evidence: read, from memory"):
        assert words in text, words
    assert text.count("from memory, check your guide") == 2  # the guide, and its table
    assert "<script" not in text


def test_without_guides_there_is_no_section(text: str) -> None:
    assert 'id="guides"' not in text
    assert 'href="#guides"' not in text
