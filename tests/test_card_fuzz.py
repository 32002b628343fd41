"""2 000 broken cards: each is a card or a clear error, never a traceback or a changed value.

``tests/bench/card_fuzz.py`` does the same with 20 000.
"""

from __future__ import annotations

import pytest
from card_mutations import CARDS, held, mutated

_CARDS = 2_000
_BLOCKS = 20


@pytest.mark.parametrize("text", CARDS)
def test_the_unbroken_cards_are_cards(text: str) -> None:
    assert held(text)


@pytest.mark.parametrize("block", range(_BLOCKS))
def test_a_broken_card_is_a_card_or_a_clear_error(block: int) -> None:
    each = _CARDS // _BLOCKS
    outcomes = []
    for seed in range(block * each, (block + 1) * each):
        try:
            outcomes.append(held(mutated(seed)))
        except Exception as failure:
            raise AssertionError(f"seed {seed}") from failure
    assert {True, False} == {*outcomes}  # neither all broken nor all harmless


def test_a_changed_value_would_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    import card_mutations

    honest = card_mutations.parse_card

    def dishonest(text: str, source: str) -> object:
        return honest(text.replace("pitch_mm = 2.032", "pitch_mm = 2.0"), source)

    monkeypatch.setattr(card_mutations, "parse_card", dishonest)
    with pytest.raises(AssertionError, match=r"pitch_mm: 2\.032 became 2"):
        held(CARDS[0])
