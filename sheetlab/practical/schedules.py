"""Which loads a plan hangs on what: material, gauge, schedule, limits, what would help. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache, partial

from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.finding import NOWHERE, Finding, Severity, SheetlabError, finding
from sheetlab.messages import Phrase, Sentences, phrase
from sheetlab.metrology.statement import Decimals, percentage
from sheetlab.practical.assumptions import (
    Settings,
    Step,
    least_rows,
    one_division,
    quiet,
    refused,
    steps_are_loads,
    with_input,
    with_loads,
    with_step,
    with_truth,
)
from sheetlab.practical.bench_fields import ReadingField
from sheetlab.practical.fields import StressField
from sheetlab.practical.forward import BenchError
from sheetlab.practical.loads import (
    LEAST_LOADS,
    LIMIT,
    REFUSED,
    STEP_DIVISIONS,
    TOTAL_DIVISIONS,
    YIELD_LIMIT,
    Gauge,
    Loaded,
    Masses,
    Material,
    Schedule,
    best_schedule,
    divided,
    hung,
    stress_at,
)
from sheetlab.practical.model import Practical
from sheetlab.practical.profile import Profile
from sheetlab.practical.standards import read_label

BENCHES = 25
"""Virtual benches whose variances are averaged for the predicted budget."""
BENCHES_OF_EFFECTS = 6
GAUGES_TRIED = 24
LIGHTER = (0.75, 0.5, 0.25)
LONGER = (1.1, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0)


class Request(Struct, frozen=True):
    """What is asked for; everything may be left to the definition."""

    settings: Mapping[str, str] = field(default_factory=dict)
    """By name: truths, inputs, parts of instruments and of readings; in their units."""
    material: str = ""
    gauge: str = ""
    masses: tuple[Masses, ...] = ()
    """Masses at hand, apart from the dead load; empty: any usual step."""
    limit: float = LIMIT
    reason: str = ""
    profile: Profile | None = None
    """How the prediction is stated; None: as nobody asked, by the GUM's."""
    benches: int = BENCHES
    benches_of_effects: int = BENCHES_OF_EFFECTS


class Books(Struct, frozen=True):
    """Tables that a plan looks things up in."""

    materials: tuple[Material, ...]
    gauges: tuple[Gauge, ...]


class StressPlan(Struct, frozen=True):
    """What the loads do to what they hang on."""

    material: Material
    gauge: Gauge | None
    limit: float
    unit: str
    """Unit of the loads."""
    dead_load: float
    """SI."""
    rows: tuple[Loaded, ...]
    schedule: Schedule | None
    followed: bool
    """The planned loads are those of the schedule."""
    advice: tuple[Phrase, ...]
    warnings: tuple[Finding, ...]
    refusal: Finding | None
    """Why the loads are not accepted; None also where a reason was given."""
    reason: str
    masses: tuple[Masses, ...] = ()
    """Masses at hand; all loads can be made of them."""
    weakest_of: tuple[str, ...] = ()
    """Materials that were meant as well; the weakest of them was taken."""
    all_hung: bool = False
    """No schedule fits the masses: the loads are those of hanging all of them."""

    @property
    def breaks_at(self) -> int | None:
        """The first row, from 1, whose load can break what it hangs on."""
        return next((i for i, row in enumerate(self.rows, 1) if row.of_breaking >= 1.0), None)

    @property
    def greatest(self) -> Loaded:
        """The row with the greatest stress."""
        return max(self.rows, key=lambda row: row.stress)


class Hanging(Struct, frozen=True):
    """What loads are looked for: the request, and what was found for it in practical and books."""

    request: Request
    books: Books
    stress: StressField
    table: str
    step: Step | None
    steps_fit: bool
    """The step from row to row is that of the loads."""
    material: Material
    gauge: Gauge | None
    weakest_of: tuple[str, ...]


# -- material and gauge ----------------------------------------------------------------------------


def find_material(settings: Settings, request: Request, books: Books) -> tuple[Material, ...]:
    """The materials that are meant, the weakest first.

    One by its name, or by its choice if that has one material only; several where a choice that
    has several was set, or is the usual one.

    Raises
    ------
    SheetlabError
        If there is none, or several have the name that was asked for.
    """
    stress = _stress(settings)
    wanted = request.material
    if not wanted:
        usual = [i.text for i in settings.forward.inputs if i.field.key == stress.material]
        wanted = request.settings.get(stress.material, "".join(usual))
    named = [one for one in books.materials if one.name == wanted]
    named = named or [one for one in books.materials if one.choice == wanted != ""]
    if not named:
        known = "; ".join(one.name for one in books.materials)
        raise refused("no-such-material", name=wanted, known=known)
    if request.material and len(named) > 1:
        known = "; ".join(one.name for one in named)
        raise refused("no-such-material_several", name=wanted, count=len(named), known=known)
    return tuple(sorted(named, key=lambda one: one.breaking[0]))


def use_material(settings: Settings, material: Material) -> Settings:
    """The settings with the choice and the modulus of a material."""
    stress = _stress(settings)
    listed = material.choice in settings.practical.inputs[stress.material].choices
    if listed and any(one.field.key == stress.material for one in settings.forward.inputs):
        settings = with_input(settings, stress.material, material.choice)
    return _given(settings, stress.modulus, 0.5 * sum(material.modulus))


def find_gauge(settings: Settings, label: str, books: Books) -> Gauge:
    """A gauge by what is written on a reel; raises SheetlabError if there is no such gauge."""
    read = read_label(label)
    wanted = "" if read is None else f"{read[0]} {read[1]}"
    for gauge in books.gauges:
        if gauge.name == wanted:
            return gauge
    truth = settings.find_truth(_stress(settings).diameter)
    also = []
    if truth is not None:
        value = f"{truth.low:g}"
        also = [phrase("gauge-or-diameter", unit=truth.unit.pretty, name=truth.key, value=value)]
    first, last = books.gauges[0].name, books.gauges[-1].name
    raise SheetlabError(
        finding("no-such-gauge", Severity.STOP, NOWHERE, *also, label=label, first=first, last=last)
    )


def use_gauge(settings: Settings, gauge: Gauge) -> Settings:
    """The settings with the diameter of a gauge; raises SheetlabError where none is used."""
    diameter = _stress(settings).diameter
    if not diameter:
        raise refused("setting-refused_gauge")
    return _given(settings, diameter, gauge.diameter)


def _given(settings: Settings, key: str, value: float) -> Settings:
    """The settings with a true value in SI units, counted as one that was set."""
    truth = settings.find_truth(key)
    if truth is None:
        return settings
    made = with_truth(settings, key, truth.unit.from_si(value))
    return replace(made, given=made.given | {key})


def _stress(settings: Settings) -> StressField:
    stress = settings.practical.stress
    assert stress is not None
    return stress


def masses_text(masses: Sequence[Masses]) -> Decimals:
    """Masses as a person writes them down."""
    return Decimals(", ".join(f"{one.mass:g} × {one.count}" for one in masses))


# -- schedules -------------------------------------------------------------------------------------


def hanging(
    settings: Settings, request: Request, books: Books, table: str, step: Step | None,
    materials: Sequence[Material], gauge: Gauge | None,
) -> Hanging:  # fmt: skip
    """What loads are looked for; ``materials``: those that are meant, the weakest first."""
    fit = step is not None and steps_are_loads(settings, table, step.name)
    names = tuple(one.name for one in materials) if len(materials) > 1 else ()
    return Hanging(request, books, _stress(settings), table, step, fit, materials[0], gauge, names)


def schedule_for(
    case: Hanging, settings: Settings, material: Material, masses: Sequence[Masses], loads: int = 0
) -> Schedule | None:
    """The recommended loads; None if none fits, or if steps cannot be set.

    Parameters
    ----------
    loads
        Number of loads that is wanted; 0: any.
    """
    step = case.step
    if step is None or not case.steps_fit:
        return None
    unit = settings.practical.inputs[case.stress.column].unit
    shown = quiet(settings.practical, settings.rows)
    reading = _read_under_load(shown.practical, case.table)
    if reading is None:
        return None
    most = material.breaking[0] * case.request.limit
    if material.yielding is not None:
        most = min(most, YIELD_LIMIT * material.yielding[0])

    @cache
    def allowed(load: float) -> bool:
        return stress_at(shown, unit.to_si(load)) <= most * (1.0 + 1e-12)

    @cache
    def divisions(load: float) -> float:
        trial = with_step(settings.with_rows(case.table, 2), step.name, load)
        seen = quiet(trial.practical, trial.rows)
        first, second = seen.seen[reading.keys[0]][:2]
        return abs(second - first) / (one_division(seen, reading) or math.inf)

    most_loads = loads or settings.practical.tables[case.table]
    return best_schedule(masses, most_loads, allowed, divisions, loads or LEAST_LOADS)


def _read_under_load(practical: Practical, table: str) -> ReadingField | None:
    """What is read off a scale in a table: on its line if it has one."""
    assert practical.forward is not None
    read = [r for r in practical.forward.readings if r.table == table and r.rounded]
    lines = (one for one in practical.lines.values() if practical.field(one.x).table == table)
    line = next(lines, None)
    on_line = [r for r in read if line is not None and set(r.keys) & set(line.y)]
    return next(iter(on_line or read), None)


def plan_loads(case: Hanging, settings: Settings) -> tuple[Settings, StressPlan]:
    """The loads of a plan, put into its settings, and what they do.

    Raises
    ------
    SheetlabError
        If loads were set that cannot be made of the masses.
    """
    masses, table, step, material = case.request.masses, case.table, case.step, case.material
    schedule = schedule_for(case, settings, material, masses)
    chosen = {f"{table}.rows", *([step.name] if step else [])} & settings.given
    all_hung = False
    if masses and step is not None and step.name in chosen and case.steps_fit:
        settings = _lay(case, settings, step)
    elif masses and schedule is not None and chosen:
        schedule, chosen = _with_rows(case, settings, schedule), set()
    elif masses and schedule is None:
        all_hung = True
    advice = () if schedule is not None else tuple(_advice(case, settings))
    if all_hung:
        settings = _hang_all(case, settings)
    followed = schedule is not None and not chosen
    if schedule is not None and step is not None and followed:
        settings = settings.with_rows(table, schedule.loads)
        settings = with_step(settings, step.name, schedule.step)
    shown = quiet(settings.practical, settings.rows)
    column = load_column(settings)
    rows = [_loaded(load, stress_at(shown, load), material) for load in shown.true[column.column]]
    stress = StressPlan(
        material, case.gauge, case.request.limit, column.unit.text,
        shown.draws.truths.get(case.stress.dead_load, 0.0), tuple(rows), schedule, followed, advice,
        warnings=(), refusal=None, reason=case.request.reason.strip(), masses=masses,
        weakest_of=case.weakest_of, all_hung=all_hung,
    )  # fmt: skip
    body = settings.practical.definition.words.body
    choices = settings.practical.inputs[case.stress.material].choices
    return settings, replace(
        stress,
        warnings=tuple(_warnings(stress, choices, body)),
        refusal=_refusal(stress, column.unit.pretty, body),
    )


def load_column(settings: Settings) -> ReadingField:
    """The column of the loads."""
    return settings.forward.reading(_stress(settings).column)


def _loaded(load: float, stress: float, material: Material) -> Loaded:
    least = material.yielding
    of_yield = None if least is None else stress / least[0]
    return Loaded(load, stress, stress / material.breaking[0], of_yield)


def _lay(case: Hanging, settings: Settings, step: Step) -> Settings:
    """Hold a step that was set against the masses; without set rows take all it can have."""
    masses, rows, name = case.request.masses, settings.rows[case.table], f"{case.table}.rows"
    least = least_rows(settings, case.table)
    counts = range(settings.practical.tables[case.table], least - 1, -1)
    for count in [rows] if name in settings.given else counts if step.value > 0.0 else ():
        if divided(masses, step.value, count - 1):
            return settings.with_rows(case.table, count)
    count = rows if name in settings.given else least
    raise refused(
        "setting-refused_masses-step", name=step.name, count=count, step=f"{step.value:g}",
        unit=step.unit, masses=masses_text(masses),
    )  # fmt: skip


def _with_rows(case: Hanging, settings: Settings, usual: Schedule) -> Schedule:
    """The schedule with just as many loads as were set."""
    rows, masses = settings.rows[case.table], case.request.masses
    found = schedule_for(case, settings, case.material, masses, rows)
    if found is None:
        raise refused(
            "setting-refused_masses-rows", table=case.table, rows=rows, masses=masses_text(masses),
            loads=usual.loads, step=f"{usual.step:g}",
        )  # fmt: skip
    return found


def _hang_all(case: Hanging, settings: Settings) -> Settings:
    """Put the loads of all masses, one after another, in the place of assumed ones."""
    column = load_column(settings)
    given = f"{column.table}.rows" in settings.given
    most = settings.rows[column.table] if given else settings.practical.tables[column.table]
    settings = with_loads(settings, column, hung(case.request.masses, max(most, 2)))
    if case.step is None:
        return settings
    return replace(settings, given=settings.given - {case.step.name})


# -- advice ----------------------------------------------------------------------------------------

Trial = tuple[Phrase, Callable[[], Settings], Material]
"""A change in words, the settings with it, and the material."""


def _advice(case: Hanging, settings: Settings) -> Iterator[Phrase]:
    """Which change alone makes a schedule possible: masses, load, gauge, length, material."""
    masses = case.request.masses
    total, each = f"{TOTAL_DIVISIONS[0]:.0f}", f"{STEP_DIVISIONS[0]:.0f}"
    yield phrase("advice-no-schedule", loads=LEAST_LOADS, total=total, each=each)
    loads = 1 + sum(one.count for one in masses)
    if masses and loads < LEAST_LOADS:
        yield phrase("advice-few-masses", masses=masses_text(masses), loads=loads)
    if case.step is None:
        return
    other_masses = [(phrase("change-masses"), lambda: settings, case.material)] if masses else []
    fitting = [_first_that_fits(case, other_masses, ())]
    for trials in (
        _other_truths(case, settings, "change-dead-load", case.stress.dead_load, LIGHTER, 2),
        _other_gauges(case, settings, "change-gauge"),
        _other_truths(case, settings, "change-length", case.stress.length, LONGER, 3),
        _other_materials(case, settings),
    ):
        fitting.append(_first_that_fits(case, trials, masses))
    if masses and not any(fitting):
        both = _other_gauges(case, settings, "change-masses-and-gauge")
        fitting = [_first_that_fits(case, both, ())]
    yield from filter(None, fitting) if any(fitting) else [phrase("advice-nothing")]


def _first_that_fits(
    case: Hanging, trials: Iterable[Trial], masses: Sequence[Masses]
) -> Phrase | None:
    """The first change with which a schedule fits, in words."""
    for change, make, material in trials:
        try:
            settings = make()
            found = schedule_for(case, settings, material, masses)
        except (SheetlabError, BenchError):
            continue
        if found is not None:
            unit = settings.practical.inputs[case.stress.column].unit.pretty
            step = Decimals(f"{found.step:g}")
            return phrase("advice-fits", change=change, loads=found.loads, step=step, unit=unit)
    return None


def _other_truths(
    case: Hanging, settings: Settings, message: str, key: str, factors: Sequence[float], digits: int
) -> Iterator[Trial]:
    truth = settings.find_truth(key)
    if truth is None:
        return
    here = truth.unit.from_si(_true_value(settings, key))
    for factor in factors:
        value = float(f"{here * factor:.{digits}g}")
        shown = (("unit", truth.unit.pretty), ("value", Decimals(f"{value:g}")))
        yield Phrase(message, shown), partial(with_truth, settings, key, value), case.material


def _other_gauges(case: Hanging, settings: Settings, message: str) -> Iterator[Trial]:
    if not case.stress.diameter:
        return
    here = _true_value(settings, case.stress.diameter)
    near = sorted(case.books.gauges, key=lambda gauge: abs(math.log(gauge.diameter / here)))
    for gauge in near[:GAUGES_TRIED]:
        shown = (("name", gauge.name), ("size", Decimals(f"{1000 * gauge.diameter:.3f}")))
        yield Phrase(message, shown), partial(use_gauge, settings, gauge), case.material


def _other_materials(case: Hanging, settings: Settings) -> Iterator[Trial]:
    for material in sorted(case.books.materials, key=lambda one: one.breaking[0]):
        change = phrase("change-material", name=material.name)
        yield change, partial(use_material, settings, material), material


def _true_value(settings: Settings, key: str) -> float:
    """SI units."""
    return quiet(settings.practical, settings.rows).draws.truths[key]


# -- limits ----------------------------------------------------------------------------------------


def _warnings(plan: StressPlan, choices: Sequence[str], body: str) -> Iterator[Finding]:
    material, greatest = plan.material, plan.greatest
    name, choice, yielding = material.name, material.choice, material.yielding
    if not material.confirmed:
        yield finding("material-unconfirmed", Severity.DOUBTFUL, name=name)
    if choice and choice not in choices:
        listed = ", ".join(choices)
        yield finding(
            "material-not-listed", Severity.NOTE, name=name, choice=choice, choices=listed
        )
    if yielding is not None and yielding[0] >= material.breaking[0]:
        yield finding("yield-above-breaking", Severity.NOTE, name=name, body=body)
    if yielding is None:
        yield finding("no-yield-stress", Severity.NOTE, name=name, body=body)
    if greatest.of_breaking > plan.limit * (1.0 + 1e-9):
        part, limit = percentage(greatest.of_breaking), percentage(plan.limit)
        yield finding("load-high", Severity.DOUBTFUL, part=part, limit=limit, body=body)
    if greatest.of_yield is not None and greatest.of_yield > YIELD_LIMIT * (1.0 + 1e-9):
        part, limit = percentage(greatest.of_yield), percentage(YIELD_LIMIT)
        yield finding("load-near-yield", Severity.DOUBTFUL, part=part, limit=limit, body=body)


def _refusal(plan: StressPlan, load_unit: str, body: str) -> Finding | None:
    """That the loads are above half of the breaking stress, and no reason is stated."""
    material, greatest, schedule = plan.material, plan.greatest, plan.schedule
    if greatest.of_breaking <= REFUSED or plan.reason:
        return None
    remedy: Phrase | Sentences = Sentences(plan.advice)
    if schedule is not None:
        step = f"{schedule.step:g}"
        remedy = phrase("load-refused-schedule", loads=schedule.loads, step=step, unit=load_unit)
    return finding(
        "load-refused", Severity.STOP,
        what=phrase("load-refused-all-hung" if plan.all_hung else "load-refused-greatest"),
        stress=f"{greatest.stress / 1e6:.0f}", part=percentage(greatest.of_breaking),
        name=material.name, breaking=f"{material.breaking[0] / 1e6:.0f}",
        limit=percentage(REFUSED), body=body, remedy=remedy,
    )  # fmt: skip
