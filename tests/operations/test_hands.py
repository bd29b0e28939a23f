"""How many threads of a courier send at once."""

from __future__ import annotations

import pytest

from service.operations.hands import ALL, FEW, HANGS_S, LATELY, Hands

MANY = 100


class Watch:
    """Real time, as the test turns it."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        """What it shows."""
        return self.now_s


def exchanged(hands: Hands, watch: Watch, took_s: float, times: int = LATELY) -> None:
    """So many exchanges one after the other, each of which took so long."""
    for _ in range(times):
        with hands.exchange():
            watch.now_s += took_s


def test_few_begin_and_stay_few_while_answers_are_quick() -> None:
    """Also on a busy machine, where most exchanges take long and some do not."""
    watch = Watch()
    hands = Hands(watch)
    assert hands.wanted(MANY) == FEW

    exchanged(hands, watch, 0.05, LATELY - 1)
    exchanged(hands, watch, 0.001, 1)
    assert hands.wanted(MANY) == FEW


def test_all_are_wanted_for_a_gateway_that_is_slow_until_it_is_quick_again() -> None:
    """While an answer is waited for, another can be asked for."""
    watch = Watch()
    hands = Hands(watch)

    exchanged(hands, watch, 0.05)
    assert hands.wanted(MANY) == ALL

    exchanged(hands, watch, 0.001)
    assert hands.wanted(MANY) == FEW


def test_all_are_wanted_while_an_exchange_hangs_however_quick_the_others_are() -> None:
    """One gateway that hangs must not keep those hands that another needs."""
    watch = Watch()
    hands = Hands(watch)
    exchanged(hands, watch, 0.001)

    with hands.exchange():
        watch.now_s += HANGS_S
        assert hands.wanted(MANY) == FEW
        watch.now_s += 0.01
        assert hands.wanted(MANY) == ALL

    assert hands.wanted(MANY) == FEW


def test_an_exchange_that_raises_has_ended() -> None:
    """Else it would be taken for one that hangs, for ever."""
    watch = Watch()
    hands = Hands(watch)

    with pytest.raises(ConnectionError), hands.exchange():
        raise ConnectionError
    watch.now_s += 1.0

    assert hands.wanted(MANY) <= FEW


@pytest.mark.parametrize(
    ("waiting", "took_s", "begin"),
    [(1, 0.001, 1), (10, 0.001, 1), (11, 0.001, 2), (100, 0.001, FEW), (3, 0.015, FEW)],
)
def test_one_alone_takes_what_it_has_sent_in_a_moment(waiting: int, took_s: float, begin: int) -> None:
    """To wake another for it takes longer."""
    watch = Watch()
    hands = Hands(watch)

    exchanged(hands, watch, took_s)

    assert hands.wanted(waiting) == begin
