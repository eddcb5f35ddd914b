"""A plan before class: assumed inputs -> predicted budget, stress, load schedule. Pure.

The prediction is no formula of its own: benches with the assumed truths and noise are typed up
and evaluated by the code that evaluates workbooks, and their variances are averaged.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from statistics import fmean

from msgspec import Struct
from msgspec.structs import replace

from sheetlab.finding import SheetlabError
from sheetlab.formula.tree import names
from sheetlab.messages import Sentences
from sheetlab.metrology.budget import Budget, BudgetRow, Source, budget
from sheetlab.practical.assumptions import (
    ExpectedColumn,
    Settings,
    Step,
    expected,
    least_rows,
    main_table,
    put,
    quiet,
    refused,
    settable,
    step_of,
    typical_settings,
    with_step,
)
from sheetlab.practical.bench import no_bench
from sheetlab.practical.evaluate import Part, ResultValue, evaluate_practical, stated_by
from sheetlab.practical.forward import BenchError, draw, show, type_up
from sheetlab.practical.loads import LEAST_LOADS, REFUSED, divided, steps_of, stress_at
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.profile import GUM, Profile
from sheetlab.practical.schedules import (
    Books,
    Hanging,
    Request,
    StressPlan,
    find_gauge,
    find_material,
    hanging,
    load_column,
    masses_text,
    plan_loads,
    use_gauge,
    use_material,
)


class Assumption(Struct, frozen=True):
    """A number that the plan rests on, in its unit."""

    key: str
    title: str
    value: float
    unit: str
    given: bool
    """Whether it was set and is not the typical value of the definition."""


class Effect(Struct, frozen=True):
    """What another number of rows and another step would do."""

    rows: int
    step: float
    """In the unit of the step; nan if there is no step."""
    relative: float | None
    """Stated uncertainty as a fraction of the result; None if it could not be formed."""
    of_breaking: float | None
    """Greatest stress as a fraction of the least breaking stress."""


class Plan(Struct, frozen=True):
    """A plan; frozen data."""

    practical: Practical
    """With the assumptions in place of ranges."""
    assumptions: tuple[Assumption, ...]
    table: str
    rows: int
    expected: tuple[ExpectedColumn, ...]
    result: ResultValue
    """Predicted; the budget averages the variances of many benches."""
    step_title: str
    step_unit: str
    effects: tuple[Effect, ...]
    stress: StressPlan | None
    profile: Profile | None = None
    """How the prediction is stated, if that was asked for."""


def plan(practical: Practical, request: Request, books: Books) -> Plan:
    """Plan a practical.

    Raises
    ------
    SheetlabError
        If the definition has no bench, or a setting, material or gauge cannot be used.
    """
    if practical.forward is None:
        raise SheetlabError(no_bench(practical))
    if not 0.0 < request.limit <= REFUSED:
        raise refused("setting-refused_limit", limit=f"{request.limit:g}", most=f"{REFUSED:g}")
    try:
        return _planned(practical, request, books)
    except (BenchError, ArithmeticError, ValueError) as error:
        raise refused("setting-refused_readings", reason=str(error)) from error


def _planned(practical: Practical, request: Request, books: Books) -> Plan:
    settings, stress = typical_settings(practical), None
    case: Hanging | None = None
    table = main_table(practical)
    if practical.stress is None:
        _refuse_loads(request)
        settings = _as_set(settings, request)
    else:
        materials = find_material(settings, request, books)
        if request.material or practical.stress.material in request.settings:
            settings = use_material(settings, materials[0])
        gauge = None
        if request.gauge:
            _refuse_two_diameters(practical.stress.diameter, request)
            gauge = find_gauge(settings, request.gauge, books)
            settings = use_gauge(settings, gauge)
        settings = _as_set(settings, request)
        step = step_of(settings, table)
        case = hanging(settings, request, books, table, step, materials, gauge)
        settings, stress = plan_loads(case, settings)
    step = step_of(settings, table)
    result = _predicted(settings, request, stress)
    effects: Iterator[Effect] = iter(())
    if stress is None or not (stress.refusal or stress.all_hung):
        effects = _effects(settings, table, step, request, result, case)
    return Plan(
        practical=settings.practical,
        assumptions=tuple(_assumptions(settings)),
        table=table,
        rows=settings.rows[table],
        expected=tuple(expected(settings.practical, settings.rows, table)),
        result=result,
        step_title="" if step is None else step.title,
        step_unit="" if step is None else step.unit,
        effects=tuple(effects),
        stress=stress,
        profile=request.profile,
    )


def _refuse_loads(request: Request) -> None:
    """Refuse what only has a meaning where something is loaded."""
    for what, text in (
        ("material", request.material),
        ("gauge", request.gauge),
        ("masses", masses_text(request.masses)),
    ):
        if text:
            raise refused("setting-refused_no-loads", what=what, text=text)


def _refuse_two_diameters(diameter: str, request: Request) -> None:
    if diameter in request.settings:
        value = request.settings[diameter]
        raise refused("setting-refused_diameters", gauge=request.gauge, name=diameter, value=value)


def _as_set(settings: Settings, request: Request) -> Settings:
    """The settings with the inputs of a profile and with what was set by hand."""
    known, profile = settable(settings), request.profile or GUM
    issued = {name: repr(value) for name, value in profile.inputs.items() if name in known}
    for name, text in (issued | dict(request.settings)).items():
        settings = put(settings, name, text)
    return settings


def _assumptions(settings: Settings) -> Iterator[Assumption]:
    """What the plan rests on: truths, single inputs, scatter, scales and their limits."""
    practical, given = settings.practical, settings.given
    shown = quiet(practical, settings.rows)
    for truth in shown.forward.truths:
        key = truth.key
        known = practical.inputs.get(key) or practical.derived.get(key)
        if key in given or (known is not None and truth.node is None):
            value = truth.unit.from_si(shown.draws.truths[key])
            title = key if known is None else known.title
            yield Assumption(key, title, value, truth.unit.pretty, key in given)
    for typed in shown.forward.inputs:
        key, single = typed.field.key, shown.singles.get(typed.field.key)
        if settings.find_truth(key) is not None or typed.node is None:
            continue
        if isinstance(single, float | int) and (key in given or not names(typed.node)):
            yield Assumption(key, typed.field.title, single, typed.field.unit.pretty, key in given)
    for reading in shown.forward.readings:
        for part, what in (("noise", "scatter"), ("place_noise", "scatter from row to row")):
            size, key = getattr(reading, part), f"{reading.column}.{part}"
            if size or key in given:
                title = f"{what}: {practical.field(reading.keys[0]).title}"
                yield Assumption(key, title, size, reading.unit.pretty, key in given)
    for key, scale in shown.forward.scales.items():
        owner = practical.owner(key)
        if "least_count" in scale.values:
            name = f"{key}.{'/.'.join(scale.parameters)}"
            part_set = any(f"{key}.{part}" in given for part in scale.parameters)
            value, unit = scale.values["least_count"], scale.unit.pretty
            yield Assumption(name, f"{owner}: least count", value, unit, part_set)
        limit = practical.inputs.get(f"{key}.limit")
        if limit is not None and limit.default is not None:
            title, unit = f"{owner}: permissible error ±", limit.unit.pretty or "of it"
            yield Assumption(limit.key, title, limit.default, unit, limit.key in given)


# -- prediction ------------------------------------------------------------------------------------


def predict(
    practical: Practical, rows: Mapping[str, int], benches: int, profile: Profile = GUM
) -> ResultValue:
    """The first result as it will be stated, its variances averaged over virtual benches.

    Raises
    ------
    BenchError
        If readings cannot be formed, or no result of them.
    """
    results = []
    for seed in range(benches):
        cells = type_up(show(practical, draw(practical, seed, rows=rows)))
        typed = as_cells_show(practical, cells)
        result = evaluate_practical(practical, typed, trials=0, profile=profile).measurand
        if result is not None and result.budget.standard_uncertainty:
            results.append(result)
    if not results:
        raise BenchError("no result with an uncertainty comes of these assumptions")
    averaged = _averaged([result.budget for result in results], profile)
    spread = averaged.standard_uncertainty
    typical = min(results, key=lambda one: abs(one.budget.standard_uncertainty - spread))
    unit = practical.derived[typical.definition.quantity].unit
    stated, size, statement = stated_by(profile, unit, averaged, typical.maximum_error)
    return replace(
        typical,
        budget=averaged,
        parts=_averaged_parts([result.parts for result in results]),
        statement=statement,
        stated=stated,
        stated_uncertainty=size,
    )


def _averaged(budgets: Sequence[Budget], profile: Profile) -> Budget:
    """A budget with the mean variance of every source."""
    by_source: dict[str, list[BudgetRow]] = {}
    for one in budgets:
        for row in one.rows:
            by_source.setdefault(row.source.key, []).append(row)
    rows: list[tuple[Source, float]] = []
    for same in by_source.values():
        contribution = math.sqrt(math.fsum(row.contribution**2 for row in same) / len(budgets))
        sensitivity = fmean(abs(row.sensitivity) for row in same)
        if contribution and sensitivity:
            spread = contribution / sensitivity
            rows.append((replace(same[0].source, standard_uncertainty=spread), sensitivity))
    value = fmean(one.value for one in budgets)
    return budget(value, rows, profile.coverage_probability, profile.coverage_factor)


def _averaged_parts(benches: Sequence[Sequence[Part]]) -> tuple[Part, ...]:
    by_key: dict[str, list[Part]] = {}
    for parts in benches:
        for part in parts:
            by_key.setdefault(part.key, []).append(part)
    squares = {
        key: math.fsum((p.sensitivity * p.standard_uncertainty) ** 2 for p in parts)
        for key, parts in by_key.items()
    }
    total = math.fsum(squares.values())
    averaged = [
        replace(
            parts[0],
            standard_uncertainty=math.sqrt(fmean(p.standard_uncertainty**2 for p in parts)),
            share=squares[key] / total if total else 0.0,
        )
        for key, parts in by_key.items()
    ]
    return tuple(sorted(averaged, key=lambda part: -part.share))


def _predicted(settings: Settings, request: Request, stress: StressPlan | None) -> ResultValue:
    """The result of a plan; of loads that are refused, one bench tells enough."""
    is_refused = stress is not None and stress.refusal is not None
    benches = 1 if is_refused else request.benches
    try:
        return predict(settings.practical, settings.rows, benches, request.profile or GUM)
    except BenchError:
        if stress is not None and stress.refusal is not None:
            raise SheetlabError(stress.refusal) from None
        if stress is not None and stress.all_hung:
            raise refused(
                "setting-refused_masses-result", count=len(stress.rows), least=LEAST_LOADS,
                advice=Sentences(stress.advice),
            ) from None  # fmt: skip
        raise


# -- other rows and steps --------------------------------------------------------------------------


def _effects(
    settings: Settings, table: str, step: Step | None, request: Request, stated: ResultValue,
    case: Hanging | None,
) -> Iterator[Effect]:  # fmt: skip
    benches, profile = request.benches_of_effects, request.profile or GUM
    if not benches:
        return
    # few benches compare well with each other; their level is that of the stated prediction
    few = predict(settings.practical, settings.rows, benches, profile)
    scale = _relative(stated) / _relative(few)
    fewest, most = max(least_rows(settings, table), 3), settings.practical.tables[table]
    counts = sorted({fewest, settings.rows[table], (fewest + most) // 2, most})
    masses = request.masses if case is not None and case.steps_fit and step is not None else ()
    values = [math.nan] if step is None else [step.value * f for f in (0.5, 1.0, 1.5)]
    if masses and step is not None:
        # only what the masses can make, and near what was planned
        made = [v for v in steps_of(masses) if divided(masses, v, counts[0] - 1)]
        below = [v for v in made if v < step.value * (1.0 - 1e-9)][-1:]
        above = [v for v in made if v > step.value * (1.0 + 1e-9)][:1]
        values = [*below, step.value, *above]
    for rows in counts:
        for value in values:
            if masses and not divided(masses, value, rows - 1):
                yield Effect(rows, value, None, None)
                continue
            try:
                trial = settings.with_rows(table, rows)
                if step is not None:
                    trial = with_step(trial, step.name, value)
                stressed = None if case is None else _greatest(trial) / case.material.breaking[0]
                if stressed is not None and stressed > REFUSED:
                    yield Effect(rows, value, None, stressed)
                    continue
                found = predict(trial.practical, trial.rows, benches, profile)
                yield Effect(rows, value, scale * _relative(found), stressed)
            except (BenchError, SheetlabError, ArithmeticError, ValueError):
                yield Effect(rows, value, None, None)


def _greatest(settings: Settings) -> float:
    """Greatest stress, Pa."""
    shown = quiet(settings.practical, settings.rows)
    loads = shown.true[load_column(settings).column]
    return max(stress_at(shown, load) for load in loads)


def _relative(result: ResultValue) -> float:
    """The stated uncertainty as a fraction of the result."""
    return abs(result.stated_uncertainty / result.budget.value)
