"""What is stated beside files: units, products, order, scale tickets, invoice, tolerances.

Tolerances of 2 % for liquids and 5 % for dry materials, and the forms of the tables: common
practice, no source. Conversions: NIST Handbook 44 (from memory): 1 lb = 0.45359237 kg, 1 US gallon
= 231 cubic inches; 1 short ton = 2,000 lb.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely
from audit_builders import POTASH, SULFATE, Run, acres

from vrx.audit import (
    AuditResult,
    ColumnStated,
    ProductStated,
    Statement,
    TableStated,
    audit_files,
    audit_run,
)
from vrx.errors import InputError, PlanError
from vrx.pipeline.audit import stated_in

BOX = shapely.box(-98.0, 41.0, -97.995, 41.004)
AC = acres(BOX)
THIO = "potassium thiosulfate 0-0-25-17S"
DRY = Statement(columns={"TARGET": ColumnStated(product=POTASH, unit="lb/ac")})
LIQUID = {"columns": {"TARGET": ColumnStated(product=THIO, unit="gal/ac")},
          "products": {THIO: ProductStated(density_lb_per_gal=12.2)}}


def codes(result: AuditResult) -> set[str]:
    return {fault.code for fault in result.faults}


@pytest.fixture
def zones(tmp_path: Path) -> Path:
    """One zone of 10 units an acre; what the unit is its column does not say."""
    path = tmp_path / "zones.geojson"
    gpd.GeoDataFrame({"TARGET": [10.0]}, geometry=[BOX], crs="EPSG:4326").to_file(path)
    return path


def table(folder: Path, text: str, **columns: Any) -> TableStated:
    path = folder / "table.csv"
    path.write_text(text, encoding="utf-8")
    return TableStated(path=path, **({"product_column": "what", "amount_column": "n",
                                      "unit": "lb"} | columns))


def row(result: AuditResult, what: str) -> Any:
    found = [one for one in result.rows if one.what.startswith(what)]
    assert len(found) == 1, [one.what for one in result.rows]
    return found[0]


def test_no_unit_is_guessed_and_a_stated_one_is_used(zones: Path) -> None:
    assert "audit-unit-unknown" in codes(audit_files(paths=[zones]))
    result = audit_files(paths=[zones], stated=DRY)
    assert "audit-unit-unknown" not in codes(result)
    assert row(result, "product total").found == pytest.approx(10.0 * AC, rel=1e-9)
    assert row(result, "product total").unit == "lb"


def test_a_stated_unit_that_the_file_contradicts_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "z.geojson"
    gpd.GeoDataFrame({"RATE_GAL_AC": [5.0]}, geometry=[BOX], crs="EPSG:4326").to_file(path)
    stated = Statement(columns={"RATE_GAL_AC": ColumnStated(product=POTASH, unit="lb/ac")})
    assert "audit-unit-differs" in codes(audit_files(paths=[path], stated=stated))


def test_nutrients_of_a_liquid_need_its_density(zones: Path) -> None:
    """12.2 lb in a gallon, 25 % K2O: 3.05 lb K2O in a gallon, 30.5 lb in ten."""
    result = audit_files(paths=[zones], stated=Statement(**LIQUID))
    assert [one.found for one in result.rows if one.what == "K2O brought"] == pytest.approx(
        [30.5 * AC] * 2, rel=1e-9)
    bare = Statement(columns=LIQUID["columns"])
    assert "audit-analysis-unknown" in codes(audit_files(paths=[zones], stated=bare))


def test_kilograms_and_litres_come_out_as_pounds_and_gallons(zones: Path) -> None:
    """112.0851 kg/ha is 100 lb/ac and 93.5396 L/ha is 10 gal/ac (conversion tables of farm
    handbooks give 1.121 and 9.35)."""
    for unit, per in (("kg/ha", 10 / 1.120851156), ("L/ha", 10 / 9.353956229)):
        stated = Statement(columns={"TARGET": ColumnStated(product="x", unit=unit)})
        total = row(audit_files(paths=[zones], stated=stated), "product total")
        assert total.unit == {"kg/ha": "lb", "L/ha": "gal"}[unit]
        assert total.found == pytest.approx(per * AC, rel=1e-8)


@pytest.mark.parametrize(("share", "agrees"), [(1.00009, True), (1.00011, False)])
def test_an_order_must_agree_to_a_hundredth_of_a_percent(
    zones: Path, tmp_path: Path, share: float, agrees: bool
) -> None:
    order = table(tmp_path, f"what,n\n{POTASH},{10.0 * AC * share!r}\n")
    result = audit_files(paths=[zones], stated=Statement(columns=DRY.columns, order=order))
    assert result.arithmetic is agrees
    assert result.trade is None


def test_tickets_less_what_was_carried_back(zones: Path, tmp_path: Path) -> None:
    """Gross 30,000 less tare 29,700 less 12 carried back: 288 lb on the ground."""
    tickets = table(tmp_path, "what,gross,tare,back,no\n"
                    'KCl,"30,000",29700,12,A1\nKCl,100,80,,A2\n', amount_column=None,
                    gross_column="gross", tare_column="tare", returned_column="back",
                    number_column="no", names={"KCl": POTASH})
    for dry, within in ((100.0 * abs(308.0 / (10.0 * AC) - 1.0) + 0.01, True),
                        (100.0 * abs(308.0 / (10.0 * AC) - 1.0) - 0.01, False)):
        result = audit_files(paths=[zones], stated=Statement(
            columns=DRY.columns, tickets=tickets, tolerance_pct={"dry": dry}))
        assert row(result, "delivered against ordered").found == pytest.approx(308.0)
        assert result.trade is within
        assert result.arithmetic is None


def test_a_ticket_that_comes_twice_is_a_fault(zones: Path, tmp_path: Path) -> None:
    tickets = table(tmp_path, f"what,n,no\n{POTASH},100,A1\n{POTASH},100,A1\n", number_column="no")
    result = audit_files(paths=[zones], stated=Statement(
        columns=DRY.columns, tickets=tickets, tolerance_pct={"dry": 5.0}))
    assert "audit-ticket-twice" in codes(result)


@pytest.mark.parametrize("unit", ["short ton", "kg", "t", "gal", "L"])
def test_units_of_tables(zones: Path, tmp_path: Path, unit: str) -> None:
    """The same delivery in each unit, worked out by hand: 12.2 lb in a gallon."""
    gallons = 10.0 * AC
    amount = {"short ton": gallons * 12.2 / 2000, "kg": gallons * 12.2 * 0.45359237,
              "t": gallons * 12.2 * 0.45359237 / 1000, "gal": gallons,
              "L": gallons * 231 * 2.54**3 / 1000}[unit]
    tickets = table(tmp_path, f"what;n\n{THIO};{amount!r}\n", unit=unit)
    result = audit_files(paths=[zones], stated=Statement(
        **LIQUID, tickets=tickets, tolerance_pct={"liquid": 0.0001}))
    assert result.trade is True
    if unit not in {"gal", "L"}:
        with pytest.raises(InputError, match="density") as caught:
            audit_files(paths=[zones], stated=Statement(
                columns=LIQUID["columns"], tickets=tickets, tolerance_pct={"liquid": 1.0}))
        assert caught.value.code == "audit-density"


@pytest.mark.parametrize("cell", ["50,5", "12 lb", "", "n/a", "1e3", "٥"])
def test_a_cell_that_is_no_number_is_told_and_not_counted(
    zones: Path, tmp_path: Path, cell: str
) -> None:
    tickets = table(tmp_path, f'what,n\n{POTASH},"{cell}"\n')
    result = audit_files(paths=[zones], stated=Statement(
        columns=DRY.columns, tickets=tickets, tolerance_pct={"dry": 5.0}))
    assert "audit-table-value" in codes(result)
    assert result.trade is None
    assert not result.agrees


def test_a_bare_ton_is_no_unit(zones: Path, tmp_path: Path) -> None:
    tickets = table(tmp_path, f"what,n,u\n{POTASH},2,ton\n", unit=None, unit_column="u")
    result = audit_files(paths=[zones], stated=Statement(
        columns=DRY.columns, tickets=tickets, tolerance_pct={"dry": 5.0}))
    assert "audit-table-unit" in codes(result)


def test_an_invoice_is_summed_again(zones: Path, tmp_path: Path) -> None:
    for usd, wrong in (("54.00", False), ("54.01", True), ("45.00", True)):
        invoice = table(tmp_path, f"what,n,price,usd\n{POTASH},100,0.54,{usd}\n",
                        usd_column="usd", usd_per_unit_column="price")
        result = audit_files(paths=[zones], stated=Statement(
            columns=DRY.columns, invoice=invoice, tolerance_pct={"dry": 90.0}))
        assert (not row(result, "invoice, amount x price").agrees) is wrong


def test_an_invoice_above_the_delivery_is_outside_the_tolerance(
    zones: Path, tmp_path: Path
) -> None:
    order = 10.0 * AC
    tickets = table(tmp_path, f"what,n\n{POTASH},{order}\n")
    invoice = TableStated(path=tmp_path / "bill.csv", product_column="what", amount_column="n",
                          unit="lb")
    invoice.path.write_text(f"what,n\n{POTASH},{order * 1.08}\n", encoding="utf-8")
    result = audit_files(paths=[zones], stated=Statement(
        columns=DRY.columns, tickets=tickets, invoice=invoice, tolerance_pct={"dry": 5.0}))
    assert result.trade is False
    assert row(result, "invoiced against delivered").agrees is False
    assert row(result, "delivered against ordered").agrees is True


def test_a_missing_column_names_those_there_are(zones: Path, tmp_path: Path) -> None:
    tickets = table(tmp_path, "what,amount\nx,1\n")
    with pytest.raises(InputError, match="'n'") as caught:
        audit_files(paths=[zones], stated=Statement(columns=DRY.columns, tickets=tickets))
    assert caught.value.code == "audit-table-column"
    assert "what, amount" in caught.value.hint


def test_tickets_stand_beside_the_order_of_a_run(run: Run, tmp_path: Path) -> None:
    ordered = {one["material"]: one["quantity"] for one in run.record()["order"]}
    tickets = table(tmp_path, "what,n\n" + "".join(
        f"{name},{amount}\n" for name, amount in ordered.items() if name != THIO),
        names={})
    pct = {"dry": 5.0, "liquid": 2.0}
    result = audit_run(folder=run.folder, stated=Statement(tickets=tickets, tolerance_pct=pct))
    assert (result.arithmetic, result.trade) == (True, True)
    named = {one.where for one in result.faults if one.code == "audit-not-delivered"}
    assert named == {f"delivery of {THIO}"}
    with pytest.raises(InputError, match="twice"):
        audit_run(folder=run.folder, stated=Statement(tickets=tickets, tolerance_pct=pct),
                  delivered={SULFATE: 1.0})


def test_lone_files_against_a_job_record(run: Run) -> None:
    record = run.folder / "manifest.json"
    assert audit_files(paths=[run.geojson], record=record).arithmetic is True

    def change(told: dict[str, Any]) -> None:
        told["passes"][0]["steps"][2]["steps"] += 1
    run.edit_record(change)
    assert audit_files(paths=[run.geojson], record=record).arithmetic is False


def test_an_order_of_ours_beside_the_file(run: Run, tmp_path: Path) -> None:
    from audit_builders import A, K, T

    stated = Statement(columns={
        K: ColumnStated(product=POTASH), A: ColumnStated(product=SULFATE),
        T: ColumnStated(product="something else")})
    order = run.folder / "order.csv"
    result = audit_files(paths=[run.geojson, order], stated=stated)
    assert [one.agrees for one in result.rows if one.what.startswith("ordered")] == [True, True]
    # The liquid is ordered for more acres than the zones have; here no column spreads it.
    assert "audit-order-not-prescribed" in codes(result)
    text = order.read_text(encoding="utf-8")
    changed = tmp_path / "order.csv"
    line = next(one for one in text.splitlines() if one.startswith(POTASH))
    cells = line.split(",")
    cells[2] = repr(float(cells[2]) * 1.01)
    changed.write_text(text.replace(line, ",".join(cells)), encoding="utf-8")
    assert audit_files(paths=[run.geojson, changed], stated=stated).arithmetic is False


@pytest.mark.parametrize(("text", "told"), [
    ('[column.X]\nunit = "lb"\n', "column.X.unit"),
    ('[product.x]\nanalysis = "60"\n', "0-0-25-17S"),
    ('[product.x]\nanalysis = "60-60-60"\n', "100 percent"),
    ('[tickets]\nfile = "a.csv"\nproduct_column = "p"\nunit = "lb"\n', "amount_column"),
    ('[tickets]\nfile = "a.csv"\nproduct_column = "p"\namount_column = "n"\n', "unit"),
    ('[tikets]\nfile = "a.csv"\n', "tickets"),
    ("[tolerance_pct]\ndry = -1\n", "tolerance_pct.dry"),
])
def test_a_stated_file_that_is_wrong_says_where(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "stated.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        stated_in(path)
    assert told in str(caught.value)
    assert caught.value.code == "audit-stated-value"
