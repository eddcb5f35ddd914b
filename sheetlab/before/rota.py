"""The rota: which group sits at which set-up in which week, for which practical."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import Finding, Place, Severity, SheetlabError, many
from sheetlab.handling.roster import Group, file_part
from sheetlab.handling.tables import MAX_PROBLEMS, ListColumn, read_first, refused, write_csv
from sheetlab.practical.register import same_id

COLUMNS = (
    ListColumn("group", letters=200),
    ListColumn("week", kind="number"),
    ListColumn("setup", letters=200),
    ListColumn("practical", letters=200),
)
ROTA = ("rota-refused", "the rota")
MOST_WEEK = 1000
MAX_WEEKS, MAX_SETUPS, MAX_PRACTICALS = 60, 500, 40


class Sitting(Struct, frozen=True):
    """One group at one set-up in one week."""

    group: str
    week: int
    setup: str
    practical: str


# -- making one ------------------------------------------------------------------------------------


def make_rota(
    groups: Sequence[str], setups: Sequence[int], weeks: int, practicals: Sequence[str]
) -> tuple[Sitting, ...]:
    """A rota in which every group does every practical once, one a week, and no set-up is shared.

    Parameters
    ----------
    setups
        One number: so many places, at each of which any practical can be set up. As many numbers
        as practicals: so many set-ups of each.

    Raises
    ------
    SheetlabError
        If there is no such rota, with the reason.

    Notes
    -----
    Set-ups of their own make it an edge colouring of the bipartite graph of groups and set-ups
    with the weeks as colours, which exists exactly if no group and no set-up has more sittings
    than there are weeks (König 1916); it is found by exchanging colours along alternating paths.
    """
    problem = _impossible(len(groups), setups, weeks, practicals)
    if problem is not None:
        raise SheetlabError(problem)
    if len(setups) == len(practicals) and len(setups) > 1:
        found = _own_setups(groups, setups, weeks, practicals)
    else:
        found = _any_place(groups, weeks, practicals)
    return tuple(sorted(found, key=lambda one: (one.week, groups.index(one.group))))


def _impossible(
    groups: int, setups: Sequence[int], weeks: int, practicals: Sequence[str]
) -> Finding | None:
    count = len(practicals)
    found = expected = ""
    if not (1 <= weeks <= MAX_WEEKS and 1 <= count <= MAX_PRACTICALS and groups):
        found = (
            f"{many(groups, 'group')}, {many(weeks, 'week')} and {many(count, 'practical')} make "
            "no rota"
        )
        expected = f"groups, 1 to {MAX_WEEKS} weeks, 1 to {MAX_PRACTICALS} practicals"
    elif len(set(practicals)) < count or not all(practicals):
        found, expected = "a practical is named twice, or has no name", "each practical once"
    elif len(setups) not in (1, count) or not all(1 <= n <= MAX_SETUPS for n in setups):
        found = f"{', '.join(map(str, setups))} is no number of set-ups"
        expected = f"one number from 1 to {MAX_SETUPS}, or one for each practical ({count})"
    elif count > weeks:
        found = (
            f"each group has {many(count, 'practical')} to do, one a week, in {many(weeks, 'week')}"
        )
        expected = f"{count} weeks or more"
    elif len(setups) == 1 and groups * count > setups[0] * weeks:
        found = (
            f"{many(groups, 'group')} × {many(count, 'practical')} = {groups * count} sittings, "
            f"but {many(setups[0], 'set-up')} × {many(weeks, 'week')} = {setups[0] * weeks} places"
        )
        expected = (
            f"{many(-(-groups * count // weeks), 'set-up')}, or "
            f"{many(-(-groups * count // setups[0]), 'week')}"
        )
    elif len(setups) > 1:
        for name, number in zip(practicals, setups, strict=True):
            if groups > number * weeks:
                found = (
                    f"“{name}”: {many(groups, 'group')}, but {many(number, 'set-up')} × "
                    f"{many(weeks, 'week')} = {number * weeks} places"
                )
                expected = (
                    f"{many(-(-groups // weeks), 'set-up')} of it, or "
                    f"{many(-(-groups // number), 'week')}"
                )
                break
    if not found:
        return None
    return Finding(
        "no-such-rota", Severity.STOP, found, expected,
        "Change the numbers; nothing was written.",
    )  # fmt: skip


def _any_place(groups: Sequence[str], weeks: int, practicals: Sequence[str]) -> Iterator[Sitting]:
    # sittings go round the weeks in turn: a group's are in different weeks, and weeks equally full
    many = len(practicals)
    used: Counter[int] = Counter()
    for g, group in enumerate(groups):
        for k, week in enumerate(sorted((g * many + k) % weeks for k in range(many))):
            used[week] += 1
            yield Sitting(group, week + 1, str(used[week]), practicals[(g + k) % many])


def _own_setups(
    groups: Sequence[str], setups: Sequence[int], weeks: int, practicals: Sequence[str]
) -> Iterator[Sitting]:
    table: dict[tuple[str, int], dict[int, tuple[str, int]]] = {}
    first = 0
    owner: dict[int, str] = {}
    for name, number in zip(practicals, setups, strict=True):
        owner |= {first + i: name for i in range(number)}
        for g in range(len(groups)):
            _coloured(table, ("group", g), ("setup", first + g % number), weeks)
        first += number
    for g, group in enumerate(groups):
        for week, (_, s) in sorted(table[("group", g)].items()):
            yield Sitting(group, week + 1, str(s + 1), owner[s])


def _coloured(
    table: dict[tuple[str, int], dict[int, tuple[str, int]]],
    one: tuple[str, int],
    other: tuple[str, int],
    weeks: int,
) -> None:
    """Add an edge with a colour that is free at both ends, after making one free if need be."""
    here, there = table.setdefault(one, {}), table.setdefault(other, {})
    a = next(week for week in range(weeks) if week not in here)
    b = next(week for week in range(weeks) if week not in there)
    node, colour, path = other, a, []
    while colour in table[node]:
        path.append((node, table[node][colour], colour))
        node, colour = table[node][colour], (b if colour == a else a)
    for left, right, colour in path:
        del table[left][colour], table[right][colour]
    for left, right, colour in path:
        swapped = b if colour == a else a
        table[left][swapped], table[right][swapped] = right, left
    here[a], there[a] = other, one


def rota_text(rota: Sequence[Sitting]) -> str:
    """A rota as the text of a CSV file."""
    rows = ((s.group, s.week, s.setup, s.practical) for s in rota)
    return write_csv([column.title for column in COLUMNS], rows)


# -- using one -------------------------------------------------------------------------------------


def read_rota(path: Path) -> tuple[Sitting, ...]:
    """Sittings of a list with the columns group, week, setup, practical.

    Raises
    ------
    SheetlabError
        If the file cannot be read, or with a finding for every cell that is wrong, and every
        set-up and group that is booked twice in a week.
    """
    sittings, problems = [], []
    for row in read_first(path, COLUMNS, *ROTA):
        empty = [column.title for column in COLUMNS if column.key not in row.values]
        week = row.number("week") or 0.0
        if empty:
            what = f"has no {empty[0]} in row {row.line}"
            problems.append(refused(*ROTA, what, "every cell filled", row.place))
        elif not (week == round(week) and week <= MOST_WEEK):
            what = f"has “{week:g}” as the week of row {row.line}"
            problems.append(refused(*ROTA, what, "a whole number from 1", row.place))
        else:
            texts = {name: row.text(name) for name in ("group", "setup", "practical")}
            sittings.append(Sitting(week=int(week), **texts))
    problems += _clashes(path, sittings)
    if not sittings and not problems:
        problems.append(refused(*ROTA, "has no sitting", "a row a sitting", Place(path.name)))
    if problems:
        raise SheetlabError(*problems[:MAX_PROBLEMS])
    return tuple(sittings)


def _clashes(path: Path, rota: Sequence[Sitting]) -> Iterator[Finding]:
    booked: dict[tuple[int, str], list[Sitting]] = {}
    busy: dict[tuple[int, str], list[Sitting]] = {}
    for sitting in rota:
        setup = same_id(sitting.setup) or sitting.setup
        booked.setdefault((sitting.week, setup), []).append(sitting)
        busy.setdefault((sitting.week, _key(sitting.group)), []).append(sitting)
    for (week, _), several in booked.items():
        if len(several) > 1:
            names = ", ".join(f"“{sitting.group}”" for sitting in several)
            what = f"books the set-up {several[0].setup} in week {week} for {names}"
            yield refused(*ROTA, what, "one group at a set-up at a time", Place(path.name))
    for (week, _), several in busy.items():
        if len(several) > 1:
            places = ", ".join(sitting.setup for sitting in several)
            what = f"sends the group “{several[0].group}” to the set-ups {places} in week {week}"
            yield refused(*ROTA, what, "a group at one set-up at a time", Place(path.name))


def sittings_of(
    rota: Sequence[Sitting], groups: Sequence[Group], week: int, practical: str, file: str
) -> tuple[list[tuple[str, Group]], list[Finding]]:
    """Practical and group for each workbook of a week, and what rota and roster do not agree on.

    Parameters
    ----------
    groups
        The roster; if it is empty, the groups are those of the rota.
    practical
        Only sittings of this one; empty: of all.
    """
    of_roster = {_key(group.name): group for group in groups}
    in_rota = {_key(one.group) for one in rota}
    findings = [
        _told(f"the group “{group.name}” is nowhere in the rota", "a row for each group", file)
        for key, group in of_roster.items()
        if key not in in_rota
    ]
    out = []
    for one in rota:
        if one.week != week or (practical and one.practical != practical):
            continue
        group = of_roster.get(_key(one.group)) if groups else Group(one.group)
        if group is None:
            findings.append(
                _told(f"the rota has a group “{one.group}” in week {week}", "a group of the roster",
                      file)
            )  # fmt: skip
        else:
            out.append((one.practical, replace(group, setup=one.setup)))
    if not out:
        weeks = ", ".join(map(str, sorted({one.week for one in rota})))
        what = (
            f"nobody sits at “{practical}” in week {week}" if practical else f"week {week} is empty"
        )
        findings.append(
            _told(
                f"by the rota {what}", f"a week of it: {weeks}, and a practical of that week", file
            )
        )
    return out, findings


def _told(found: str, expected: str, file: str) -> Finding:
    return Finding(
        "rota-misses", Severity.DOUBTFUL, found, expected,
        "Correct the rota or the roster; no workbook was issued for it.", Place(file),
    )  # fmt: skip


def _key(group: str) -> str:
    return file_part(group).casefold()
