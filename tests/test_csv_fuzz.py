"""2 000 broken tables of readings: each a result or a clear error, never a traceback.

``tests/bench/csv_fuzz.py`` does the same with 20 000.
"""

from __future__ import annotations

from pathlib import Path

import csv_mutations
import pytest
from card_mutations import STRAIGHT
from csv_mutations import TABLES, held, mutated

_TABLES = 2_000
_BLOCKS = 20


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tables")
    card = STRAIGHT.replace("coupled-belts", "independent")
    folder.joinpath("card.toml").write_text(card, encoding="utf-8")
    return folder


@pytest.mark.parametrize("text", TABLES)
@pytest.mark.parametrize("with_card", [True, False])
@pytest.mark.parametrize("as_json", [True, False])
def test_the_unbroken_tables_are_examined(
    folder: Path, text: str, with_card: bool, as_json: bool
) -> None:
    assert held(text.encode(), folder, with_card=with_card, as_json=as_json)


@pytest.mark.parametrize("block", range(_BLOCKS))
def test_a_broken_table_is_a_result_or_a_clear_error(folder: Path, block: int) -> None:
    each = _TABLES // _BLOCKS
    outcomes = []
    for seed in range(block * each, (block + 1) * each):
        try:
            outcomes.append(
                held(mutated(seed), folder, with_card=seed % 2 == 0, as_json=seed % 4 < 2)
            )
        except Exception as failure:
            raise AssertionError(f"seed {seed}") from failure
    assert {True, False} == {*outcomes}  # neither all broken nor all harmless


@pytest.mark.parametrize(
    ("was", "becomes"), [("115.98", "115.89"), ("120,116.05,minus\n", ""), ("minus", "plus")]
)
def test_a_reading_changed_on_the_way_would_be_seen(
    folder: Path, monkeypatch: pytest.MonkeyPatch, was: str, becomes: str
) -> None:
    honest = csv_mutations.parse_table

    def dishonest(raw: bytes, source: str) -> object:
        return honest(raw.replace(was.encode(), becomes.encode()), source)

    monkeypatch.setattr(csv_mutations, "parse_table", dishonest)
    with pytest.raises(AssertionError):
        held(TABLES[0].encode(), folder, with_card=False, as_json=True)
