"""Results of a class beside each other, some of them absurd."""

from __future__ import annotations

import io

import pytest

from sheetlab.classes.comparison import Comparison, compare
from sheetlab.classes.feedback import GRID, asked, questions_height
from sheetlab.classes.handins import HandIn, Outcome
from sheetlab.classes.pages import ACROSS
from sheetlab.workbook.book import Book
from sheetlab.workbook.page import new_page
from sheetlab.workbook.style import Styles


def handed_in(group: str, setup: str, value: float, standard: float) -> HandIn:
    """A workbook whose first result is so many gigapascals."""
    outcome = Outcome(value * 1e9, standard * 1e9, 2e9 * standard, "", "Y", "GPa", 1e9)
    return HandIn("p", "p", group, setup, "", file=f"{group}.xlsx", outcome=outcome, status="ok")


def compared(*results: tuple[str, str, float, float]) -> Comparison:
    found = compare([handed_in(*row) for row in results])
    assert found is not None
    return found


SOUND = (
    ("a", "1", 105.0, 1.5),
    ("b", "1", 106.0, 1.5),
    ("c", "2", 103.0, 1.5),
    ("d", "2", 104.0, 1.5),
)


@pytest.mark.parametrize(
    ("value", "standard", "said"),
    [
        # loads typed in g for kg: a thousand times too great, u 1.6 % of it
        (105_000.0, 1_700.0, "look (3 or more)"),
        (90.0, 40.0, "too uncertain to say"),
        (105.0, 1.5, "fits (up to 2)"),
    ],
)
def test_a_wide_uncertainty_excuses_no_difference_beyond_it(
    value: float, standard: float, said: str
) -> None:
    assert compared(*SOUND, ("e", "2", value, standard)).compared[-1].class_ == said


def test_set_ups_are_told_without_a_result_that_says_nothing() -> None:
    # one load in g: of such a result its own uncertainty leaves no digit
    found = compared(*SOUND, ("e", "2", 1.2e7, 4.3e9), ("f", "1", 105_000.0, 1_700.0))
    assert found.compared[-2].class_ == "too uncertain to say"
    assert found.left == 2
    sound = compared(*SOUND).precision
    assert found.without is not None
    assert sound is not None
    assert found.without.repeatability == pytest.approx(sound.repeatability)


def test_only_as_much_room_is_kept_for_questions_as_they_take() -> None:
    book = Book(io.BytesIO())
    page = new_page(book.add_worksheet(), Styles(book), GRID, ("", ""), across=ACROSS)
    handin = handed_in("a", "1", 105.0, 1.5)
    assert asked(handin) == []
    # two lines; a hundred points were kept free, and a table of own results was cut for them
    assert questions_height(page, handin) == pytest.approx(40.0)
