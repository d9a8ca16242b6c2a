"""The mains and the shop of a bench: read, kept in a case, used by formulas, told in a report."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from faulttree.cases.backends.opening import open_store
from faulttree.cases.report.document import report
from faulttree.cases.report.render import FORMS
from faulttree.errors import ReadingError
from faulttree.reading import (
    Bench,
    judge,
    mains_of,
    parse_quantity,
    read_bench,
    resolve_limits,
)
from faulttree.reading.instruments import Shop
from faulttree.tree.schema import is_valid
from faulttree.walk.answer import limits_of
from faulttree.walk.events import Opened, from_dict
from faulttree.walk.fold import fold
from tests.session.samples import lamp

MAINS = {"voltage": "120 V", "frequency": "60 Hz"}
TRANSFORMED = {
    "nominal": {"formula": "u * 24 / 230", "from": {"u": "mains.voltage"}},
    "tolerance": "10 %",
    "unit": "V ac",
}


def events(**said: Any) -> list[Opened]:
    tree = lamp()
    return [Opened(at="2026-11-30T08:00:00Z", tree=tree.id, tree_hash=tree.hash, **said)]


def test_a_bench_names_its_mains_and_its_shop() -> None:
    shop = {"name": "Tool library", "address": "3 Yard Lane", "warranty_days": 90}
    data = {"mains": MAINS, "shop": {**shop, "labour_rate": 30}}
    assert is_valid(data, "bench")
    found = read_bench(data)
    assert found.mains == MAINS
    assert found.shop == Shop(**shop)  # type: ignore[arg-type]
    assert found.labour_rate == 30
    assert Bench().mains == {}


@pytest.mark.parametrize(
    ("wrong", "place"),
    [
        ({"mains": "230 V"}, ("mains",)),
        ({"mains": {"volts": 230}}, ("mains", "volts")),
        ({"mains": {"voltage": "50 Hz"}}, ("mains", "voltage")),
        ({"mains": {"voltage": "0 V"}}, ("mains", "voltage")),
        ({"mains": {"frequency": "OL"}}, ("mains", "frequency")),
        ({"shop": "ours"}, ("shop",)),
        ({"shop": {"street": "x"}}, ("shop", "street")),
        ({"shop": {"warranty_days": 1.5}}, ("shop", "warranty_days")),
        ({"shop": {"labour_rate": "dear"}}, ("shop", "labour_rate")),
        ({"shop": {"labour_rate": 30}, "labour_rate": 30}, ("labour_rate",)),
    ],
)
def test_what_is_wrong_is_told_with_place_and_remedy(wrong: Any, place: tuple[str, ...]) -> None:
    with pytest.raises(ReadingError) as told:
        read_bench(wrong)
    assert told.value.key == place
    assert told.value.remedy


def test_a_formula_takes_the_mains_of_the_case() -> None:
    # 230 V to 24 V on no load: at 120 V the same transformer gives 24 * 120 / 230 = 12.52 V.
    assert str(resolve_limits(TRANSFORMED).nominal) == "24"
    there = resolve_limits(TRANSFORMED, mains=mains_of(MAINS))
    assert float(there.nominal or 0) == pytest.approx(12.52, abs=0.005)
    assert "limit 10 %" in judge(parse_quantity("12.5 VAC"), there).sentence


def test_an_opening_keeps_the_mains_and_an_older_one_reads_as_230_v_50_hz() -> None:
    tree = lamp(
        start="seen",
        steps={
            "seen": {
                "measure": "Secondary",
                "limits": TRANSFORMED,
                "results": {"low": "broken", "inside": "broken", "high": "broken"},
            }
        },
        faults={"broken": {"title": "Broken", "remedy": "New one"}},
        stops={},
        cautions=[],
    )
    for said, nominal in (
        ({}, 24.0),
        ({"mains": MAINS}, 12.52),
        ({"mains": {"frequency": "60 Hz"}}, 24.0),
    ):
        opened = from_dict(json.loads(json.dumps(events(**said)[0].to_dict())))
        limits = limits_of(fold(tree, [opened]), tree.steps["seen"])
        assert limits is not None
        assert float(limits.nominal or 0) == pytest.approx(nominal, abs=0.005)


def test_the_rating_of_the_mains_is_that_of_the_bench() -> None:
    # IEC 60038: ±10 % at the supply terminals.
    spec = {"component": "mains", "quantity": "voltage"}
    assert resolve_limits(spec).lower == 207
    assert resolve_limits(spec, mains=mains_of(MAINS)).upper == 132


def test_a_report_names_the_shop_in_its_head(tmp_path: Path) -> None:
    with open_store(str(tmp_path / "cases.sqlite")) as store:
        case = store.find(store.open_case(events(), tree_text=lamp().text))
        told = report(
            case, list(store.events(case.id)), lamp(), shop=Shop("Tool library", "Yard 3")
        )
        plain = report(case, list(store.events(case.id)), lamp())
    for form in FORMS.values():
        head = form(told, 80).split("Taken in")[0]
        assert "Tool library, Yard 3" in head
        assert "Tool library" not in form(plain, 80)
    assert "shop" not in plain
