"""What is light stays light. How long things take is measured in `tests.bench.tablet`."""

from __future__ import annotations

import pytest

from tests.bench.tablet import MOST_BYTES, first_load, tap_times
from tests.browser.conftest import NewTablet, Runner

pytestmark = pytest.mark.browser


def test_the_first_load_is_small_with_all_that_is_held(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(2)
    wire = first_load(new_tablet(), runner)
    assert any("/ahead?" in url for url in wire.sizes), "the held instructions are counted"
    assert len(wire.sizes) > 10
    assert wire.total < MOST_BYTES, wire.sizes


@pytest.mark.parametrize(("width", "height"), [(390, 844), (1024, 768)])
def test_nothing_moves_by_itself_from_tap_to_tap(
    runner: Runner, new_tablet: NewTablet, width: int, height: int
) -> None:
    walk = next(card.number for card in runner.weaving().cards if card.kind == "walk")
    runner.put_on_loom(walk - 2)  # rows, the walk, and what is done behind
    times, shift = tap_times(new_tablet(width, height), runner, taps=8)
    assert len(times) == 8
    assert shift == 0
