import pytest
from hypothesis import given
from hypothesis import strategies as st

from jointwise.joints.errors import InputError
from jointwise.joints.names import ball_name, parse_ball, row_letters


@given(st.integers(0, 5000), st.integers(0, 500))
def test_a_name_leads_back_to_its_site(row: int, col: int) -> None:
    assert parse_ball(ball_name(row, col)) == (row, col)


def test_names_are_unique() -> None:
    assert len({row_letters(row) for row in range(9000)}) == 9000


@pytest.mark.parametrize("name", ["", "A", "7", "I1", "A0", "a1", "A-1", "1A", "A1B"])
def test_what_is_no_name_is_refused_in_words(name: str) -> None:
    with pytest.raises(InputError, match="expected a ball name"):
        parse_ball(name)


@pytest.mark.parametrize("site", [(-1, 0), (0, -1)])
def test_negative_sites_are_refused(site: tuple[int, int]) -> None:
    with pytest.raises(InputError, match="counts from 0"):
        ball_name(*site)
