"""The sheet of feedback: a printed page for each group."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sheetlab.classes.comparison import Comparison
from sheetlab.classes.handins import HandIn, OwnResult
from sheetlab.classes.kept import COMMENT, FEEDBACK_MARK
from sheetlab.classes.marks_page import MARK_SHAPE, MarksSheet, counts, proposed_key
from sheetlab.classes.pages import LINE, ClassBook, cut, place_text
from sheetlab.finding import Finding, Severity
from sheetlab.metrology.agreement import Verdict
from sheetlab.metrology.statement import beside, percentage, plain
from sheetlab.workbook.page import Cell, Column, Page

FEEDBACK = "Feedback"
SCALE = 88
PAGE = 835.0
"""Points that a page of feedback may be high: A4 less margins and footer, printed at ``SCALE``
per cent, with some to spare. (Fitting to pages would make a program ignore the page breaks.)"""
MOST_NAME = 40
FEW_OWN, FEW_GOOD, FEW_ITEMS = 12, 5, 10
QUESTIONS = 110.0
"""Points that are kept for questions on a page of feedback, whatever else stands there."""
LEAST_BOX, HIGHEST_ROW, CUT_NOTE = 44.0, 409.0, 17.0
"""Points that the box for a comment has at least, that a row can have, and that a line below takes
which says that the comment is cut."""
GAP = 6.0
HEADED = 23.0
"""Points of a gap and a heading."""
NO_QUESTION = "None: no reading looks doubtful."
GRID = (
    Column("key", "", 3, hidden=True),
    *(Column(f"column {i}", "", width) for i, width in enumerate((30.0, 14.0, 28.0, 29.0))),
)
OWN_COLUMNS = (
    Column("title", "own result", value=lambda own: own.title),
    Column("given", "you wrote", value=lambda own: own.given or "–"),
    Column("verdict", "judged by what you had", value=lambda own: own.verdict),
    Column("question", "question", value=lambda own: own.question),
)
MARK_COLUMNS = tuple(Column(title, title) for title in ("for", "marks", "of"))
AGREE: Mapping[Verdict | None, str] = {
    "agrees": ", which is within your uncertainty",
    "between": ": more than your uncertainty explains, but books differ by as much",
    "differs": ": more than your uncertainty explains",
    "open": "; your uncertainty is so large that this says nothing",
}


def write_feedback(book: ClassBook, marks: MarksSheet) -> None:
    """The sheet of feedback."""
    page = book.page(FEEDBACK, GRID, landscape=False, pages=None)
    page.sheet.set_margins(left=0.5, right=0.4, top=0.5, bottom=0.6)
    page.sheet.set_print_scale(SCALE)
    page.sheet.write_string(0, 0, FEEDBACK_MARK)
    for block in book.data.blocks:
        for handin in block.handins:
            if page.row:
                page.break_page()
            _write_page(book, marks, page, handin, block.comparison)
    if not page.row:
        page.line("There is no hand-in yet.")


def _write_page(
    book: ClassBook, marks: MarksSheet, page: Page, handin: HandIn, compared: Comparison | None
) -> None:
    bottom = page.height + PAGE
    _head(book, page, handin, compared)
    good = _good(marks, handin)
    if good:
        _heading(page, "What was good")
        for text in good:
            page.line(f"•  {book.say(text)}")
    # what stands below the questions has its room first
    comment = marks.typed(handin).comment
    needed = max(page.across.height(cut(comment), page.width()), LEAST_BOX)
    below = HEADED + 2 * (LINE + 4) + 29 + sum(
        _row_height(page, [mark.item.title]) for mark in handin.marks[:FEW_ITEMS]
    )  # fmt: skip
    room = bottom - page.height - below
    box = min(needed, max(room - QUESTIONS - CUT_NOTE, LEAST_BOX), HIGHEST_ROW)
    room -= box + CUT_NOTE * (box < needed)
    own = _own(page, handin, room - min(QUESTIONS, questions_height(page, handin)))
    _questions(page, handin, room - _own_height(page, own))
    if own:
        _heading(page, "Your own results")
        page.table(OWN_COLUMNS, own)
        _more(page, len(handin.own) - len(own), "the evaluated workbook shows them")
    _marks(book, marks, page, handin)
    _heading(page, "From your teacher")
    formula = f'=INDEX({marks.ranges[COMMENT]},{marks.row_formula(handin)})&""'
    page.sheet.write_string(page.row, 0, handin.key)
    page.put(page.first, Cell(comment, "", "box", formula), span=len(page.widths))
    page.end_row(box)
    if box < needed:
        page.line("The comment is longer than this page; ask for the rest.", "note")


def _heading(page: Page, text: str) -> None:
    page.gap(GAP)
    page.line(text, "heading", 11)


def _more(page: Page, count: int, where: str) -> None:
    if count > 0:
        page.line(f"and {count} more; {where}.", "note")


def _row_height(page: Page, texts: Sequence[str]) -> float:
    return max(page.cells.height(cut(t), w) for t, w in zip(texts, page.widths, strict=False))


# -- result and praise ---------------------------------------------------------------------------


def _head(book: ClassBook, page: Page, handin: HandIn, compared: Comparison | None) -> None:
    page.line(handin.title, "title")
    names = {"Group": handin.name, "Set-up": handin.setup, "Observers": handin.observers,
             "Date": handin.date}  # fmt: skip
    shown = [f"{title}: {cut(name, MOST_NAME) or '–'}" for title, name in names.items()]
    page.line("     ".join(shown), "note")
    _heading(page, "Your result")
    if handin.outcome is None:
        page.line("No result comes out of your readings yet.", "statement", 12)
        return
    page.line(handin.outcome.statement, "statement")
    for text in outcome_lines(handin, compared):
        page.line(book.say(text))


def outcome_lines(handin: HandIn, compared: Comparison | None) -> list[str]:
    """A result beside the accepted value and beside the class."""
    outcome = handin.outcome
    if outcome is None:
        return []
    lines = []
    if outcome.accepted is not None and outcome.percent is not None:
        where = "above" if outcome.percent > 0 else "below"
        accepted = f"{plain(outcome.accepted / outcome.factor, 4)} {outcome.unit}"
        lines.append(
            f"Accepted: {accepted} ({outcome.accepted_source}). Yours is "
            f"{percentage(abs(outcome.percent) / 100.0)} {where}{AGREE.get(outcome.verdict, '')}."
        )
    if compared is not None and compared.robust is not None:
        middle = beside(compared.robust.value, compared.robust.uncertainty)
        lines.append(
            f"The middle of {len(compared.compared)} groups is {middle} {compared.unit} "
            "(their median)."
        )
    return lines


def _good(marks: MarksSheet, handin: HandIn) -> list[str]:
    """What can be praised: items with all their marks, and agreement."""
    typed = marks.typed(handin)
    texts = []
    for mark in handin.marks:
        value = counts(mark, typed)
        if mark.item.good and mark.praise and value is not None and value >= mark.out_of:
            texts.append(mark.item.good)
    # a wrong reading makes the uncertainty wide enough to agree with any book
    sound = handin.status == "ok" and handin.outcome is not None
    if sound and handin.outcome is not None and handin.outcome.verdict == "agrees":
        texts.append("Your result agrees with the accepted value within its uncertainty.")
    return [cut(text, 105) for text in texts[:FEW_GOOD]]


# -- questions -----------------------------------------------------------------------------------


def asked(handin: HandIn) -> list[str]:
    """What is asked about: a question for each finding that is more than a note."""
    findings = [f for f in handin.findings if not f.found.startswith(("own result", "the first"))]
    grave = [f for f in findings if f.severity is not Severity.NOTE] or findings[:2]
    return [f"•  {_question(finding)}" for finding in grave]


def _question(finding: Finding) -> str:
    """A finding as a question to the student."""
    found = finding.found.strip()
    found = found[:1].upper() + found[1:]
    found = found if found.endswith((".", "?", "!")) else f"{found}."
    sentences = finding.remedy.replace("? ", "?\n").replace(". ", ".\n").split("\n")
    question = " ".join(sentence for sentence in sentences if sentence.endswith("?"))
    question = question or "How did that come about?"
    return f"{place_text(finding)}{cut(found, 260)} {question}"


def questions_height(page: Page, handin: HandIn) -> float:
    """Points that all questions would take."""
    texts = [*(asked(handin) or [NO_QUESTION]), ""]
    return GAP + sum(page.across.height(text, page.width()) for text in texts)


def _questions(page: Page, handin: HandIn, room: float) -> None:
    """Findings as questions, as many as there is room for."""
    end = page.height + room
    _heading(page, "Questions for you")
    texts = asked(handin)
    if not texts:
        page.line(NO_QUESTION)
    for i, text in enumerate(texts):
        if i and page.height + page.across.height(text, page.width()) + 20 > end:
            where = "they stand on the sheet Findings of the evaluated workbook"
            _more(page, len(texts) - i, where)
            return
        page.line(text)


# -- own results and marks -----------------------------------------------------------------------


def _own(page: Page, handin: HandIn, room: float) -> list[OwnResult]:
    """Own results as far as there is room; those that differ before those that agree."""
    left = room - HEADED - _row_height(page, [column.title for column in OWN_COLUMNS])
    kept = set()
    for own in sorted(handin.own[:FEW_OWN], key=lambda own: not own.question):
        left -= _row_height(page, _own_texts(own))
        if left < 0.0:
            break
        kept.add(own)
    return [own for own in handin.own if own in kept]


def _own_texts(own: OwnResult) -> list[str]:
    return [str(column.value(own)) for column in OWN_COLUMNS if column.value is not None]


def _own_height(page: Page, rows: Sequence[OwnResult]) -> float:
    if not rows:
        return 0.0
    texts = [[column.title for column in OWN_COLUMNS], *map(_own_texts, rows)]
    return HEADED + sum(_row_height(page, row) for row in texts)


def _marks(book: ClassBook, marks: MarksSheet, page: Page, handin: HandIn) -> None:
    _heading(page, "Marks")
    # the row of the group on the sheet of marks is found once
    formula, row = f"={marks.row_formula(handin)}", marks.rows[handin.key]
    page.sheet.write_formula(page.row, 0, formula, None, row)
    at = f"$A${page.row + 1}"
    typed = marks.typed(handin)
    table = page.open_table(MARK_COLUMNS)
    for mark in handin.marks[:FEW_ITEMS]:
        yours, proposed = (
            f"INDEX({marks.ranges[key]},{at})" for key in (mark.item.id, proposed_key(mark.item))
        )
        most = f"{mark.item.marks!r}"
        own = f'IF(AND({yours}>=0,{yours}<={most}),{yours},"?")'
        now: float | str | None = counts(mark, typed)
        if now is None:
            now = "–" if mark.proposed is None else "?"
        cell = Cell(now, MARK_SHAPE, "figure", f"=IF(ISNUMBER({yours}),{own},{proposed})")
        table.write((mark.item.title, cell, (mark.out_of, MARK_SHAPE)))
    more = len(handin.marks) - FEW_ITEMS
    title = "total" if more <= 0 else f"total, with {more} more"
    out_of = (book.data.scheme.out_of, MARK_SHAPE)
    table.write((title, marks.total(handin, "figure-total"), out_of))
