"""The whole page: self-contained, escaped, complete, honest about memory, same bytes each time."""

import html
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from vrx.model import MethodScore, Surface, stop, warn
from vrx.report import page

VOID = {"meta", "br", "link", "img", "hr", "input"}


class Reader(HTMLParser):
    """Tags with attributes, visible text, and a check that tags nest."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.open, self.words, self.wrong = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data):
        if not {"style", "title", "desc"} & set(self.open):
            self.words.append(data)

    @property
    def said(self):
        return " ".join(" ".join(self.words).split())


def drawings(text):
    return [ET.fromstring(m) for m in re.findall(r"<svg.*?</svg>", text, flags=re.S)]  # noqa: S314


def shown(root):
    """Texts of a drawing that are no halo."""
    halos = {t for g in root.iter() if g.get("aria-hidden") for t in g.iter("text")}
    return [t.text for t in root.iter("text") if t not in halos]


@pytest.fixture(scope="module")
def read(text):
    return Reader(text)


def test_tags_nest_and_ids_are_unique(read):
    assert read.wrong == []
    assert read.open == []
    ids = [a["id"] for _, a in read.tags if "id" in a]
    assert len(ids) == len(set(ids))
    inner = [a["href"][1:] for _, a in read.tags if a.get("href", "").startswith("#")]
    assert inner
    assert set(inner) <= set(ids)


def test_nothing_outside_the_file_is_asked_for(read, text):
    assert not {"script", "link", "iframe", "img", "form"} & {tag for tag, _ in read.tags}
    for _, attributes in read.tags:
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in {"src", "href", "xlink:href"}:
                assert value.startswith(("#", "data:image/png;base64,"))
    assert "http" not in text.replace("http-equiv", "")
    assert "@import" not in text
    assert "url(" not in re.search(r"<style>.*?</style>", text, re.S)[0]


def test_every_drawing_is_xml_with_title_and_description(text):
    roots = drawings(text)
    assert len(roots) == 1 + 2 + 3 + 1 + 2 * 6 + 2
    for root in roots:
        names = root.get("aria-labelledby").split()
        spoken = {e.get("id"): e.text for e in root if e.tag in {"title", "desc"}}
        assert list(spoken) == names
        assert all(spoken[n].strip() for n in names)
        assert root.get("role") == "img"


def test_drawings_need_no_style_sheet_and_stay_near_zero(text):
    for root in drawings(text):
        width, height = (float(v) for v in root.get("viewBox").split()[2:])
        assert max(width, height) < 800
        for item in root.iter():
            assert "class" not in item.attrib
            assert "style" not in item.attrib
            for name in ("x", "y", "x1", "x2", "y1", "y2", "cx", "cy"):
                if name in item.attrib:
                    assert -1000 < float(item.get(name)) < 2000


def test_texts_of_drawings_are_not_cut(text):
    for root in drawings(text):
        width, height = (float(v) for v in root.get("viewBox").split()[2:])
        sizes = {t: float(g.get("font-size")) for g in root.iter() if g.get("font-size")
                 for t in g.iter("text")}
        for item in root.iter("text"):
            size = sizes[item]
            wide = 0.5 * size * len(item.text)
            left = float(item.get("x")) - {None: 0, "middle": wide / 2, "end": wide}[
                item.get("text-anchor")]
            assert left > -2
            assert left + wide < width + 6
            assert size < float(item.get("y")) + 4 < height + 5


def test_letters_and_rates_stand_in_every_zone(text, job):
    roots = {r.get("aria-labelledby").split()[0]: r for r in drawings(text)}
    for one in job.prescription.passes:
        texts = shown(roots[f"map-pass-{one.number}-title"])
        for i, zone in enumerate(job.zones.zones):
            rate = f"{one.rates[i]:.2f}" if one.step < 1 else f"{one.rates[i]:.0f}"
            at = texts.index(zone.letter)
            assert texts[at + 1] == rate
    samples = shown(roots["map-samples-title"])
    assert set(job.soil.sample_id) <= set(samples)


def test_each_label_lies_in_its_zone(text, job):
    from vrx.report.frame import frame_for

    root = next(r for r in drawings(text) if r.get("aria-labelledby").startswith("map-zones"))
    # The title takes one line, so the map starts where the frame of that title does.
    placed = frame_for(job.field.boundary, top=16 + 13.5 * 1.3 - 6)
    spots = {t.text: (float(t.get("x")), float(t.get("y"))) for t in root.iter("text")
             if t.get("aria-hidden") is None}
    import shapely

    for zone in job.zones.zones:
        across, down = spots[zone.letter]
        assert placed.geometry(zone.polygon).contains(shapely.Point(across, down - 5))


def test_totals_are_those_of_the_job(read, job):
    said = read.said
    for one in job.prescription.passes:
        unit = "gal" if one.material.form == "liquid" else "lb"
        assert f"total {one.prescription_total:,.0f} {unit}" in said
        assert f"To bring {one.order_total:,.0f} {unit}" in said
        assert f"rate column {one.column} , unit" in said
    for line in job.prescription.order:
        assert f"{line.quantity:,.0f} {line.unit}" in said
        assert f"{line.short_tons:,.2f}" in said
        assert f"{line.k2o_lb:,.0f}" in said
    assert f"${job.prescription.order[0].usd:,.2f}" in said
    assert f"{job.field.area_ac:,.2f} ac" in said


def test_a_total_is_never_the_sum_of_printed_parts(written, job):
    # 1/3 acres: three printed amounts of 33 lb, but 100 lb in all.
    one = job.prescription.passes[0]
    changed = replace(one, prescription_total=100.4999, order_total=100.4999)
    passes = (changed, *job.prescription.passes[1:])
    said = Reader(written(replace(
        job, prescription=replace(job.prescription, passes=passes)))).said
    assert "total 100 lb" in said


def test_needs_are_shown_line_by_line(read, job):
    said = read.said
    for nutrient, needs in job.needs.items():
        for need, zone in zip(needs, job.zones.zones, strict=True):
            if nutrient == "K2O":
                assert (f"Zone {zone.letter} : needs" in said
                        or f"Zone {zone.letter}: needs" in said)
            assert f"{need.lb_per_ac:.1f} lb {nutrient}/ac" in said
            for line in need.lines:
                sign = "+" if line.lb_per_ac > 0.05 else ""
                number = f"{sign}{line.lb_per_ac:.1f}".replace("-", "−")
                assert f"{line.term} {number} {line.detail} {line.locator}" in said
    assert "Zones A, B, C, D and E: need 22.6 lb S/ac on" in said


def test_takes_up_and_removes_stand_apart_with_their_sources(read, job):
    truth = job.crop_truth
    said = read.said
    assert f"The crop takes up 372 lb K2O/ac and 36 lb S/ac {truth.takes_up_source}" in said
    assert f"The hay removes 280 lb K2O/ac and no figure for S {truth.removes_source}" in said


def memory_cells(text):
    return [html.unescape(m) for m in re.findall(r'class="(?:mark|flag)">(.*?)<', text)]


def test_memory_is_said_wherever_its_rate_is_shown(text, job):
    roots = {r.get("aria-labelledby").split()[0]: " ".join(shown(r)) for r in drawings(text)}
    for number, what in ((1, "the need of K2O"), (2, "analysis or density"), (3, "need of K2O")):
        assert "From memory, check your guide" in roots[f"map-pass-{number}-title"]
        assert what.split()[-1] in roots[f"map-pass-{number}-title"]
    marks = memory_cells(text)
    assert marks.count("from memory") == 3 + 5  # table of passes; zones of the need
    assert marks.count("from memory, check your guide") == 5 + 1  # lines of the need; sources
    assert sum(m.startswith("From memory, check your guide") for m in marks) == 3 + 3
    assert any("before you order" in m for m in marks)


def test_without_memory_no_mark_is_left(written, job):
    needs = {
        n: tuple(replace(need, lines=tuple(replace(x, evidence="read") for x in need.lines))
                 for need in many)
        for n, many in job.needs.items()
    }
    passes = tuple(replace(p, material=replace(p.material, evidence="read"))
                   for p in job.prescription.passes)
    clean = replace(
        job, needs=needs, sources=job.sources[:1],
        materials=tuple(replace(m, evidence="read") for m in job.materials),
        prescription=replace(job.prescription, passes=passes),
    )
    assert "from memory" not in written(clean).lower()


def test_a_fixed_pass_does_not_blame_the_need(written, job):
    passes = tuple(replace(p, kind="fixed", material=replace(p.material, evidence="user"))
                   for p in job.prescription.passes)
    text = written(replace(job, prescription=replace(job.prescription, passes=passes)))
    assert "From memory, check your guide" not in text


def test_findings_stops_and_warnings_first_the_rest_folded(written, job, text):
    before, after = text.split('<details class="paper"><summary>', 1)
    assert before.count('<li class="warn">') == 7
    assert after.startswith("7 more")
    assert after.count('<li class="warn">') == 2
    assert after.count('<li class="note">') == 5
    halted = replace(job, findings=(*job.findings, *(
        stop(f"rate-stop-{i}", f"zone {i}", "no rate", todo="give one") for i in range(9))))
    text = written(halted)
    assert "Do not spread from this page" in text
    assert "9 findings stop this prescription" in text
    assert text.split('<details class="paper"><summary>', 1)[0].count('<li class="stop">') == 9


def test_findings_of_inner_values_are_not_lost_and_not_doubled(written, job):
    same = warn("field-x", "boundary.geojson", "a ring was closed")
    text = written(replace(job, field=replace(job.field, findings=(same,)),
                           findings=(*job.findings, same)))
    assert text.count("a ring was closed") == 1


def test_texts_of_users_are_escaped(builders, job, written):
    text = written(builders.hostile(job), run="<i>1</i>", cautions=["<b>x</b>"],
                   notes=["<u>n</u>"], pass_notes={"pass-1": ["<s>p</s>"]})
    read = Reader(text)
    assert not {"script", "i", "u", "s"} & {tag for tag, _ in read.tags}
    assert read.wrong == []
    assert "\x07" not in text
    assert "alert('x')" in read.said
    for word in ("<i>1</i>", "<b>x</b>", "<u>n</u>", "<s>p</s>"):
        assert word in read.said
    assert len(drawings(text)) == 21


def test_scores_are_told_against_the_field_mean(read, job, written):
    own, _, mean = job.surfaces["potassium"].scores
    assert (f"the map misses by {own.rmse:.0f} ppm (root mean square), the field mean by "
            f"{mean.rmse:.0f} ppm: the map explains 54 % of what the mean leaves") in read.said
    assert "average 1.08 (1 is honest): as near to 1 as 40 samples can tell" in read.said


@pytest.mark.parametrize(("msdr", "told"), [(1.5, "too small"), (0.5, "too large"),
                                            (None, "")])
def test_standard_errors_that_are_off_are_told(job, msdr, told):
    from vrx.report import words

    surface = job.surfaces["potassium"]
    scores = (replace(surface.scores[0], msdr=msdr), *surface.scores[1:])
    said = words.honesty_words(replace(surface, scores=scores))
    assert told in said
    assert bool(said) is bool(told)


def flat_surface(surface):
    return Surface(
        analyte=surface.analyte, unit=surface.unit, grid=surface.grid,
        values=np.full(surface.grid.shape, 6.2), standard_error=np.full(surface.grid.shape, 1.9),
        method="field mean", variogram=None,
        scores=(MethodScore(method="field mean", n=39, mean_error=0, rmse=1.9, skill=0, msdr=1.0),),
        lag_m=np.array([]), lag_semivariance=np.array([]), lag_pairs=np.array([]),
    )


def test_a_field_mean_is_told_as_such(written, job):
    surfaces = {"sulfate": flat_surface(job.surfaces["sulfate"])}
    text = written(replace(job, surfaces=surfaces))
    assert "No map beat the plain field mean" in text
    assert "6.2 everywhere" in text
    assert "Likeness by distance" not in text


def test_a_job_without_passes_prices_or_files_still_prints(written, job):
    empty = replace(job.prescription, passes=(), order=(), balances=())
    said = Reader(written(replace(job, prescription=empty, findings=()), files=(),
                          cautions=())).said
    assert "No pass is planned." in said
    assert "Nothing is ordered." in said
    assert "SHA-256" not in said
    assert "Nothing that changes pounds or safety." in said


def test_no_price_is_said_not_zero(written, job):
    order = tuple(replace(line, usd=None) for line in job.prescription.order)
    said = Reader(written(replace(job, prescription=replace(job.prescription, order=order)))).said
    assert "No prices were given, so no cost is shown." in said
    assert "$" not in said


def test_files_carry_their_whole_hash(read, builders):
    for file in builders.FILES:
        assert f"{file.path} {file.format}" in read.said
        assert file.sha256 in read.said


def test_rates_outside_and_without_position(written, job):
    assert "outside the field 0 lb/ac; position lost 0 lb/ac" in Reader(written(job)).said
    first, *_ = job.prescription.passes
    said = Reader(written(job, without_map={first.pass_id: (0.0, 5.0)})).said
    assert said.count(f"outside the field 0 {first.material.unit}; position lost 5.00") == 1
    assert f"0 / 5.00 {first.material.unit}" in said


def test_same_job_same_bytes(builders, written, text):
    assert written(builders.make_job()) == text


def test_the_page_is_small_with_26_000_cells(builders, job, text):
    grid = job.surfaces["potassium"].grid
    assert grid.rows * grid.columns > 26_000
    assert len(text.encode()) < 400_000


def test_the_class_of_a_cell_is_the_colour_of_its_pixel(text, job):
    """The picture, read by GDAL, against the surface and the printed class edges."""
    import base64

    from rasterio.io import MemoryFile

    root = next(r for r in drawings(text) if r.get("aria-labelledby").startswith("map-potassium"))
    data = base64.b64decode(next(root.iter("image")).get("href").split(",")[1])
    with pytest.warns(match="no geotransform"), MemoryFile(data) as held, held.open() as image:
        pixels, palette = image.read(1), image.colormap(1)
    grid = job.surfaces["potassium"].grid
    enlarge = pixels.shape[0] // grid.rows
    swatches = [r.get("fill") for r in root.iter("rect")]
    edges = [float(t) for t in shown(root)[-(len(swatches) + 1):]]
    for row, column in ((60, 40), (60, 120), (100, 100), (130, 60)):
        red, green, blue, _ = palette[pixels[row * enlarge + 1, column * enlarge + 1]]
        found = swatches.index(f"#{red:02x}{green:02x}{blue:02x}")
        value = job.surfaces["potassium"].values[row, column]
        assert edges[found] <= value <= edges[found + 1]


def test_jinja_is_loaded_only_for_a_page():
    import subprocess
    import sys

    code = "import sys, vrx.report; sys.exit('jinja2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_page_and_crew_sheet_are_the_public_names():
    import vrx.report

    assert vrx.report.__all__ == [
        "application_pages", "applied_page", "audit_page", "crew_sheet", "legends", "page",
        "page_views", "pdf_bytes", "rate_legends", "require_pdf", "sheet", "with_files"]
    assert vrx.report.page is page


def test_findings_that_touch_safety_and_pounds_come_before_maps(written, job):
    told = (warn("surface-outlier", "potassium", "map words"),
            warn("rules-from-memory", "guide", "need words"),
            warn("prescription-s-not-met", "season", "pound words"),
            warn("prescription-treated-acres", "pass 2", "safety words"))
    text = written(replace(job, findings=told))
    at = [text.index(f"{name} words") for name in ("safety", "pound", "need", "map")]
    assert at == sorted(at)


def test_a_value_that_the_sentence_holds_is_not_repeated(written, job):
    told = (warn("pass-x", "season", "346 lb of S short", value="345.643 lb S"),
            warn("pass-y", "map", "the range reached the longest allowed", value="2052 m"))
    text = written(replace(job, findings=told))
    assert "345.643" not in text
    assert "(2052 m)" in text


def test_memory_of_a_material_names_the_figure(written, job):
    passes = tuple(replace(p, material=replace(
        p.material, evidence="analysis: read; density: from memory"))
        for p in job.prescription.passes)
    said = Reader(written(replace(
        job, prescription=replace(job.prescription, passes=passes)))).said
    assert "the density of the product" in said
    assert "analysis or density" not in said


def test_acres_wetted_outside_the_prescription_stand_on_the_sheet(written, job):
    wet = sum(job.prescription.zone_area_ac) + 3.62
    passes = tuple(replace(p, treated_ac=wet) if p.treated_ac else p
                   for p in job.prescription.passes)
    said = Reader(written(replace(
        job, prescription=replace(job.prescription, passes=passes)))).said
    assert "3.62 ac outside it are wetted too" in said


def test_common_practice_without_a_source_is_marked(written, job):
    needs = {n: tuple(replace(need, lines=tuple(
        replace(x, evidence="common practice, no source") for x in need.lines)) for need in many)
        for n, many in job.needs.items()}
    text = written(replace(job, needs=needs))
    assert '<span class="weak">common practice, no source</span>' in text
    assert "common practice without a printed source" in text
