"""The printed report against the page's own texts, the job, and the PDF standards.

Outside checks: pypdf reads the files; ISO 32000-1 (PDF 1.7) 14.8.1 MarkInfo, 14.9.2 Lang, 14.9.3
Alt, 12.3.3 outlines, 9.9 embedded fonts; ISO 14289-1 (PDF/UA-1) clause 5: its mark in the metadata;
the Unicode Standard 23.2 (characters of bidirectional order); all four from memory. Paper: ANSI
letter 8.5 x 11 in, ISO 216 A4 210 x 297 mm, a point being 1/72 in.
"""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
import shapely

from vrx.errors import MissingExtra
from vrx.report import html_tree, page, page_views, pdf_bytes, pdf_letters, svg
from vrx.report import pdf as room
from vrx.report.outline import Outline, pieces, words

pypdf = pytest.importorskip("pypdf")
typst = pytest.importorskip("typst")

BLOCKS = {"p", "li", "dt", "dd", "th", "td", "h1", "h2", "h3", "h4", "summary", "figcaption",
          "caption"}


def squeezed(text):
    """Without white space: lines of print break elsewhere than lines of a page."""
    return re.sub(r"\s+", "", text)


def opened(data):
    return pypdf.PdfReader(io.BytesIO(data))


def printed_text(data):
    """All pages without their feet, which stand between the halves of a broken paragraph."""
    return "\n".join(
        re.sub(r"\n?[^\n]* · [^\n]* \d+ / \d+\s*$", "", one.extract_text())
        for one in opened(data).pages)


class Texts(HTMLParser):
    """The texts of the smallest blocks of a page, without drawings and what paper leaves out."""

    def __init__(self):
        super().__init__()
        self.found, self.open, self.away = [], [], 0

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        silent = tag in ("svg", "nav", "head") or (
            tag == "details" and "paper" not in (given.get("class") or ""))
        if self.away or silent:
            self.away += tag not in ("br", "meta", "link", "img")
        elif tag in BLOCKS:
            self.open.append([tag, ""])

    def handle_endtag(self, tag):
        if self.away:
            self.away -= 1
        elif tag in BLOCKS and self.open and self.open[-1][0] == tag:
            text = squeezed(self.open.pop()[1])
            if text:
                self.found.append(text)

    def handle_data(self, data):
        if not self.away and self.open:
            self.open[-1][1] += data


@pytest.fixture(scope="module")
def light(builders):
    """A job with coarse maps, quick to draw."""
    return builders.make_job(cell_m=25.0)


@pytest.fixture(scope="module")
def views(job, builders):
    by_pass = {one.pass_id: builders.CAUTIONS for one in job.prescription.passes}
    return page_views(job, run="run-0007", cautions=builders.CAUTIONS, files=builders.FILES,
                      pass_cautions=by_pass)


@pytest.fixture(scope="module")
def made(views):
    return pdf_bytes(views)


@pytest.fixture(scope="module")
def text(made):
    return printed_text(made)


def test_every_text_of_the_page_is_in_the_print(views, text):
    page_texts = Texts()
    page_texts.feed(page(views))
    assert len(page_texts.found) > 300
    held = squeezed(text)
    assert [one for one in page_texts.found if one not in held] == []


def test_typst_has_nothing_to_warn_of(views):
    """A block inside a paragraph, for one, would be left out with a warning."""
    document = room._document(views, parts=room.PARTS, paper="letter")
    _, warnings = typst.Compiler(ignore_system_fonts=True).compile_with_warnings(
        room._TEMPLATE.read_bytes(), format="pdf", pdf_standards=["ua-1"],
        sys_inputs={"data": json.dumps(document)})
    assert [str(one) for one in warnings] == []


def test_totals_rates_cautions_and_hashes(job, builders, text):
    held = squeezed(text)
    areas = job.prescription.zone_area_ac
    for rates in job.prescription.passes:
        total = sum(float(r) * a for r, a in zip(rates.rates, areas, strict=True))
        assert f"total{total:,.0f}" in held
    for line in job.prescription.order:
        assert f"{line.lb:,.0f}" in held
    for one in builders.CAUTIONS:
        assert held.count(squeezed(one)) == len(job.prescription.passes)
    for one in builders.FILES:
        assert one.sha256 in held


def test_the_drawings_print_their_words(made, job):
    """Letter and rate of every zone stand on the map of each pass, in the fonts of the file."""
    (sheet,) = [squeezed(one.extract_text()) for one in opened(made).pages
                if "sheet 1 of 3" in one.extract_text()]
    drawn = sheet[sheet.index("Productrate"):sheet.index("Product", sheet.index("Productrate") + 9)]
    rates = job.prescription.passes[0].rates
    for zone, rate in zip(job.zones.zones, rates, strict=True):
        # Each label stands twice, its halo first.
        letter, shown = zone.letter, f"{rate:g}"
        assert f"{letter * 2}{shown * 2}" in drawn or f"{letter}{shown}" * 2 in drawn, letter


def test_no_label_of_a_drawing_is_wider_than_it_was_given(views):
    """Typst measures every text of every drawing; the renderer leaves room for wider fonts."""
    found = set()
    for drawing in html_tree.read(page(views))[1]:
        for size, bold, said in re.findall(
                r'<text [^>]*?font-size="([\d.]+)"( font-weight="bold")?[^>]*>([^<]+)<', drawing):
            found.add((said, float(size), bool(bold)))
    assert len(found) > 50
    source = b'''#let data = json(bytes(sys.inputs.data))
#context [#metadata(data.map(one => measure(text(font: "Libertinus Serif", size: one.at(1) * 1pt,
  weight: if one.at(2) { "bold" } else { "regular" }, one.at(0))).width.pt())) <widths>]'''
    asked = sorted(found)
    answer = typst.query(source, "<widths>", field="value", one=True, ignore_system_fonts=True,
                         sys_inputs={"data": json.dumps(asked)})
    widths = json.loads(answer)
    wider = [(one, width) for one, width in zip(asked, widths, strict=True)
             if width > svg.text_width(one[0], one[1], bold=one[2]) * 1.02]
    assert wider == []


def test_it_is_tagged_named_and_bookmarked(made, views):
    reader = opened(made)
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] is True or root["/MarkInfo"]["/Marked"].value is True
    assert str(root["/Lang"]).lower().startswith("en")
    assert reader.metadata.title == "Kettle pivot, season 2027: prescription"
    assert b"pdfuaid:part" in root["/Metadata"].get_data()
    tops = [one.title for one in reader.outline if not isinstance(one, list)]
    assert tops == ["For the grower", "For the applicator", "For the agronomist: the audit"]
    drawings = len(html_tree.read(page(views))[1])
    alts = set()
    seen = set()

    def walk(node):
        node = node.get_object()
        if id(node) in seen or not isinstance(node, dict):
            return
        seen.add(id(node))
        if "/Alt" in node:
            alts.add(str(node["/Alt"]))
        kids = node.get("/K", [])
        for kid in kids if isinstance(kids, list) else [kids]:
            if hasattr(kid, "get_object"):
                walk(kid)

    walk(root["/StructTreeRoot"])
    assert len(alts) == drawings
    assert all(len(one) > 20 for one in alts)


def test_it_holds_no_clock_no_action_and_only_typsts_fonts(made):
    reader = opened(made)
    assert "/CreationDate" not in (reader.metadata or {})
    metadata = reader.trailer["/Root"]["/Metadata"].get_data()
    assert b"CreateDate" not in metadata
    assert b"ModifyDate" not in metadata
    assert not re.search(rb"/(JavaScript|Launch|URI|EmbeddedFile|AA)\b", made)
    fonts = set()
    for one in reader.pages:
        for font in one["/Resources"].get("/Font", {}).values():
            told = font.get_object()
            fonts.add(str(told["/BaseFont"]).split("+")[-1])
            below = told["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(below)
    assert fonts
    assert all(re.match("LibertinusSerif|NewCM|DejaVuSansMono", one.strip("/")) for one in fonts)


def test_pages_are_counted_and_named(made):
    pages = opened(made).pages
    for k, one in enumerate(pages, 1):
        assert squeezed(f"Kettle pivot · run-0007 {k} / {len(pages)}") in squeezed(
            one.extract_text())
    assert 8 <= len(pages) <= 20
    assert len(made) < 1_500_000


def test_each_pass_has_a_leaf_of_its_own(made, job):
    pages = [one.extract_text() for one in opened(made).pages]
    for rates in job.prescription.passes:
        (leaf,) = [one for one in pages if f"sheet {rates.number} of 3" in one]
        others = [f"Pass {one.number}:" for one in job.prescription.passes if one is not rates]
        assert not any(squeezed(f"{name}{job.prescription.passes[0].timing}") in squeezed(leaf)
                       for name in others)
        for words_of in ("Window", "Cautions", "position lost", "Start", "Stop", "Operator",
                         "signature"):
            assert words_of in leaf, (rates.number, words_of)


@pytest.fixture(scope="module")
def forty(builders):
    field = builders.boundary()
    west, south, east, north = field.bounds
    lines = [shapely.LineString([(west - 9, south + (north - south) * k / 7 + 3 * k),
                                 (east + 9, south + (north - south) * k / 7)])
             for k in range(1, 7)]
    lines += [shapely.LineString([(west + (east - west) * k / 7, south - 9),
                                  (west + (east - west) * k / 7 + 8, north + 9)])
              for k in range(1, 7)]
    polygons = builders.coverage(field, lines)
    letters = builders.LETTERS
    builders.LETTERS = [*letters, *(a + b for a in "AB" for b in letters)]
    try:
        return builders.make_job(polygons=polygons, cell_m=20.0)
    finally:
        builders.LETTERS = letters


def test_heads_repeat_and_no_row_is_cut_with_forty_zones(forty, builders):
    assert len(forty.zones.zones) >= 40
    views = page_views(forty, run="0040", cautions=builders.CAUTIONS)
    pages = [one.extract_text() for one in opened(pdf_bytes(views)).pages]
    term_pages = [one for one in pages if re.search(r"Where it\s*stands", one)]
    assert len(term_pages) >= 3
    for number, rates in enumerate(forty.prescription.passes):
        (leaf,) = [one for one in pages if f"sheet {number + 1} of 3" in one]
        for zone, rate, area in zip(
                forty.zones.zones, rates.rates, forty.prescription.zone_area_ac, strict=True):
            shown = f"{rate:.2f}" if rates.material.form == "liquid" else f"{rate:.0f}"
            row = rf"\b{zone.letter}\s+{area:.2f}\s+{shown}\s+{rate * area:,.0f}\b"
            assert re.search(row, leaf), (number, zone.letter, row)


NASTY = [
    '#eval("6*7") #sys.inputs #read("/etc/passwd")', "$ x^2 $ @ref <label>", r"\u{41} \ \n",
    "[a] ]] *b* _c_ `d` ~ = e - f + g / h // i /* j */", "\"double\" 'single'",
    "</p><svg/onload=x>&amp;&#65;", "W" * 300, "a/" * 150, "Zażółć gęślą № ½ ≥ €", "שלום", "سلام",
]


@pytest.mark.parametrize("name", NASTY)
def test_names_print_as_text_and_never_run(light, name):
    """Typst's own syntax, HTML's and long words in every text that a user gives."""
    bad = replace(light, crop=name, field=replace(light.field, name=name))
    views = page_views(bad, run=name, cautions=[name], notes=[name])
    data = pdf_bytes(views)
    text = printed_text(data)
    held = squeezed(text)
    if re.search("[\u0590-\u06ff]", name):
        # Written right to left: a reader of the file may give the letters in either order.
        assert name in text or name[::-1] in text or set(name) <= set(text)
    else:
        assert held.count(squeezed(name)) >= 3
    assert "root:x" not in text
    assert opened(data).metadata.title.startswith(name[:20])


def test_a_hostile_job_prints(builders, light):
    views = page_views(builders.hostile(light), run="<i>1</i>", cautions=["<b>x</b>"],
                       notes=["</p><script>1</script>"])
    held = squeezed(printed_text(pdf_bytes(views)))
    bad = squeezed("<script>alert('x')</script> & \"q\" \ufffd ]]>")
    assert held.count(bad) >= 10
    assert squeezed("</p><script>1</script>") in held


def test_letters_without_a_glyph_print_as_their_code(light):
    bad = replace(light, field=replace(light.field, name="测 \U0001f600 \ue000 \u202eabc"))
    data = pdf_bytes(page_views(bad, run="1", cautions=[]))
    text = printed_text(data)
    for code in ("[U+6D4B]", "[U+1F600]", "[U+E000]", "[U+202E]abc"):
        assert code in text
    assert "\u202e" not in text
    assert squeezed("A character in the form [U+6D4B]") in squeezed(text)
    assert opened(data).metadata.title.startswith("测")


def test_an_ordinary_print_has_no_codes(text):
    assert "U+" not in text
    assert "□" not in text


def test_missing_letters_are_found_one_by_one():
    compiler = typst.Compiler(ignore_system_fonts=True)
    good = set("aZ éßñőřş αβγ Жя ±×≤≥°→₂²½€№ אב سل")
    assert pdf_letters.missing(compiler, good) == set()
    assert pdf_letters.missing(compiler, good | set("测试\U0001f600")) == set("测试\U0001f600")


def test_a_cluster_that_no_font_has_still_prints(light):
    """Arabic with a Hebrew point: each has a font, together they have none."""
    bad = replace(light, field=replace(light.field, name="سِ\u05b4\u0951 end"))
    assert "end" in printed_text(pdf_bytes(page_views(bad, run="1", cautions=[])))


def test_control_characters_and_surrogates(light):
    bad = replace(light, field=replace(light.field, name="a\x00b\x1b\ud800c\ufffe\nd"))
    text = printed_text(pdf_bytes(page_views(bad, run="r\x07", cautions=["x\x00y"])))
    assert "a\ufffdb\ufffd\ufffdc\ufffd d" in text


MAKE = """
import hashlib, importlib.util, sys
spec = importlib.util.spec_from_file_location("builders", sys.argv[1])
builders = importlib.util.module_from_spec(spec)
sys.modules["builders"] = builders
spec.loader.exec_module(builders)
from vrx.report import page_views, pdf_bytes
job = builders.make_job(cell_m=20.0)
print(hashlib.sha256(pdf_bytes(page_views(job, run="7", cautions=builders.CAUTIONS))).hexdigest())
"""


def test_equal_views_give_equal_bytes_anywhere(tmp_path):
    """Another process, folder, time zone, locale, hash seed and pinned clock."""
    root = Path(__file__).resolve().parents[2]
    found = set()
    for k, more in enumerate((
            {"TZ": "Pacific/Auckland", "PYTHONHASHSEED": "1"},
            {"TZ": "America/Boise", "PYTHONHASHSEED": "77", "LC_ALL": "C", "HOME": str(tmp_path),
             "SOURCE_DATE_EPOCH": "86400", "TYPST_FONT_PATHS": "/usr/share/fonts"})):
        folder = tmp_path / f"here {k}"
        folder.mkdir()
        done = subprocess.run(
            [sys.executable, "-c", MAKE, str(Path(__file__).with_name("builders.py"))],
            cwd=folder, env={**os.environ, **more, "PYTHONPATH": str(root)}, check=True,
            capture_output=True, text=True)
        found.add(done.stdout.strip())
    assert len(found) == 1


def test_paper_and_parts(views):
    for paper, size in (("letter", (612, 792)), ("a4", (595.28, 841.89))):
        reader = opened(pdf_bytes(views, parts=("grower",), paper=paper))
        for one in reader.pages:
            assert (float(one.mediabox.width), float(one.mediabox.height)) == pytest.approx(
                size, abs=0.01)
        assert [one.title for one in reader.outline if not isinstance(one, list)] == [
            "For the grower"]


def test_the_applicators_part_alone_shows_no_money(views):
    text = printed_text(pdf_bytes(views, parts=("applicator",)))
    assert "sheet 1 of 3" in text
    assert "$" not in text
    assert "$" in printed_text(pdf_bytes(views, parts=("grower",)))


def test_a_stop_stands_first(light):
    from vrx.model import stop

    bad = replace(light, findings=(stop("x-stop", "zone A", "no rate is safe", todo="mend it"),))
    first = opened(pdf_bytes(page_views(bad, run="1", cautions=[]))).pages[0].extract_text()
    assert "Do not spread from this page" in first
    assert "no rate is safe" in first


def test_a_job_without_passes_prints(light):
    none = replace(light.prescription, passes=(), order=(), balances=())
    empty = replace(light, prescription=none)
    assert "No pass is planned" in printed_text(pdf_bytes(page_views(empty, run="1", cautions=[])))


def test_without_typst_the_extra_is_named(monkeypatch, views):
    monkeypatch.setattr(room, "find_spec", lambda name: None)
    with pytest.raises(MissingExtra) as caught:
        pdf_bytes(views)
    assert caught.value.code == "export-extra"
    assert 'pip install "vrx[pdf]"' in caught.value.hint


def test_typst_is_loaded_only_for_a_pdf():
    code = "import sys, vrx.report, vrx.report.pdf, vrx.pipeline; print('typst' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_long_words_may_break_and_lose_nothing():
    for word in ("W" * 300, "a/" * 90, "0c" * 32, "short", "two words", "x" * 19 + " " + "y" * 40):
        assert "".join(pieces(word)) == word
    assert max(map(len, pieces("W" * 300))) <= 9
    assert pieces("an ordinary sentence of many words") == ["an ordinary sentence of many words"]


def test_the_tree_keeps_order_looks_and_cells():
    root, drawings = html_tree.read(
        '<section><h2>A <small>b</small></h2><p class="flag">x &lt;b&gt;<br>y</p>'
        '<table><thead><tr><th class="n">H</th></tr></thead><tbody><tr><td colspan="2">1</td></tr>'
        "</tbody></table><details><summary>Maps</summary><p>gone</p></details>"
        '<figure><svg width="4"><title>T</title><desc>D &amp; E</desc></svg></figure></section>')
    blocks = Outline(drawings).blocks(root)
    assert [one["is"] for one in blocks] == ["heading", "text", "table", "text", "picture"]
    assert words(blocks[1]) == "x <b> y"
    assert blocks[2]["body"][0][0]["across"] == 2
    assert "gone" not in words(blocks)
    assert "Maps" in words(blocks[3])
    assert blocks[4]["alt"] == "T. D & E"
