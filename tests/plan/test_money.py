"""The plan's sections of buying, charges, bids and balance: strict, with place and remedy."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from vrx.errors import PlanError
from vrx.plan import Plan, load_plan

KETTLE = Path(__file__).resolve().parents[2] / "sample_geo" / "kettle" / "plan.toml"
POTASH = "muriate of potash 0-0-60"
QUOTE = f"[[bid]]\nseller = 'A'\nmaterial = '{POTASH}'\nusd = 1\nper = 'lb'\nas_of = 2027-01-01"
PLAIN = KETTLE.read_text(encoding="utf-8").partition("\n# How it is sold")[0]


def loaded(tmp_path: Path, text: str) -> Plan:
    path = tmp_path / "plan.toml"
    path.write_text(f"{PLAIN}\n{text}\n", encoding="utf-8")
    return load_plan(path)


def test_without_the_sections_nothing_is_assumed(tmp_path: Path) -> None:
    plan = loaded(tmp_path, "")
    assert plan.order.overage_pct == 0
    assert plan.order.material == {}
    assert set(plan.charges.model_dump(exclude={"sampling_seasons", "flat_samples"}).values()) == {
        None}
    assert plan.bids == ()
    assert plan.balance.k2o_lb_per_ppm is None


def test_what_is_stated_is_read(tmp_path: Path) -> None:
    plan = loaded(tmp_path, f"""
[order]
on = 2027-01-15
[order.material."{POTASH}"]
package = "bag"
package_lb = 50
[charges]
hay_usd_per_ton = 200.0
hay_tons_per_lb_k2o_short = 0.002
[balance]
k2o_lb_per_ppm = [5, 9]
source = "county trial"
[[bid]]
seller = "A"
material = "{POTASH}"
usd = 450
per = "short ton"
as_of = 2027-01-02
valid_until = 2027-02-01
""")
    assert plan.order.on == date(2027, 1, 15)
    assert plan.order.material[POTASH].package_lb == 50
    assert plan.charges.response() == (("K2O", 0.002),)
    assert plan.balance.k2o_lb_per_ppm == (5, 9)
    assert plan.bids[0].valid_until == date(2027, 2, 1)


def test_the_readme_shows_a_plan_that_loads(tmp_path: Path) -> None:
    readme = (KETTLE.parents[2] / "README.md").read_text(encoding="utf-8")
    part = readme.partition("### Buying, flat against variable")[2]
    block = part.partition("```toml\n")[2].partition("```")[0]
    assert "[[bid]]" in block
    # The README's tank stands in a section of its own; kettle's plan has one for that pass.
    path = tmp_path / "plan.toml"
    own = "[machine.stubble-2]\nstep_gal_per_ac = 0.5\ntank_gal = 250\n"
    assert own in PLAIN
    path.write_text(f"{PLAIN.replace(own, '')}\n{block}", encoding="utf-8")
    plan = load_plan(path)
    assert plan.machine["stubble-2"].tank_gal == 250
    assert plan.balance.source == "county trial"


@pytest.mark.parametrize(("text", "words"), [
    ("[order]\noverage_pct = -1.0", ("order.overage_pct", "-1.0")),
    ("[order]\noverage_pct = 101.0", ("order.overage_pct",)),
    ("[order]\noverage = 1.0", ("'order.overage'", "overage_pct")),
    ('[order.material."muriat of potash 0-0-60"]\npackage = "bulk"',
     ("order.material names 'muriat of potash 0-0-60'", f"did you mean {POTASH!r}")),
    (f'[order.material."{POTASH}"]\npackage = "tote"', ("a tote needs its size",)),
    (f'[order.material."{POTASH}"]\npackage = "tote"\npackage_gal = 0', ("package_gal", "0")),
    (f'[order.material."{POTASH}"]\npackage = "barrel"', ("package", "barrel")),
    (f'[order.material."{POTASH}"]\npackage_lb = 1\npackage_gal = 1', ("keep one",)),
    (f'[order.material."{POTASH}"]\nload_short_tons = 1\nload_gal = 1', ("keep one",)),
    (f'[order.material."{POTASH}"]\nticket_lb_per_gal = 60.0', ("ticket_lb_per_gal", "60")),
    (f'[order.material."{POTASH}"]\nticket = "4411"', ("give its ticket_lb_per_gal",)),
    (f'[order.material."{POTASH}"]\npackage_lb = "50"', ("package_lb", "'50'")),
    ("[charges]\nmapping_usd_per_ac = -2.0", ("charges.mapping_usd_per_ac", "-2.0")),
    ("[charges]\nhay_usd_per_ton = 0", ("charges.hay_usd_per_ton",)),
    ("[charges]\nsampling_usd_per_sample = 1\nsampling_usd_per_ac = 1", ("keep one",)),
    ("[charges]\nflat_samples = 3", ("flat_samples needs sampling_usd_per_sample",)),
    ("[charges]\nsampling_seasons = 0", ("charges.sampling_seasons",)),
    ("[charges]\nhay_usd_per_ton = nan", ("charges.hay_usd_per_ton",)),
    ("[balance]\nk2o_lb_per_ppm = [9, 5]\nsource = 'x'", ("least first",)),
    ("[balance]\nk2o_lb_per_ppm = [5, 9]", ("needs source",)),
    ("[balance]\nk2o_lb_per_ppm = 8", ("k2o_lb_per_ppm",)),
    ("[balance]\nsoil_supplies_share = [0, 1.5]\nsource = 'x'", ("soil_supplies_share",)),
    (f"[[bid]]\nseller = 'A'\nmaterial = '{POTASH}'\nusd = -1\nper = 'lb'\nas_of = 2027-01-01",
     ("usd = -1",)),
    (f"[[bid]]\nseller = 'A'\nmaterial = '{POTASH}'\nusd = 1\nper = 'ton'\nas_of = 2027-01-01",
     ("per", "'ton'")),
    (f"[[bid]]\nmaterial = '{POTASH}'\nusd = 1\nper = 'lb'\nas_of = 2027-01-01",
     ("seller", "missing")),
    (f"{QUOTE}\nfreight_usd = 1\nfreight_usd_per_short_ton = 1", ("keep one",)),
])
def test_what_cannot_be_meant_names_key_and_rule(
    tmp_path: Path, text: str, words: tuple[str, ...]
) -> None:
    with pytest.raises(PlanError) as err:
        loaded(tmp_path, text)
    for word in words:
        assert word in err.value.message
    assert "plan.toml" in err.value.where
