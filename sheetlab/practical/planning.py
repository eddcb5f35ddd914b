"""A plan before class: assumed inputs -> predicted budget, stress, load schedule. Pure.

The prediction is no formula of its own: benches with the assumed truths and noise are typed up
and evaluated by the code that evaluates workbooks, and their variances are averaged.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache

from msgspec import Struct, field
from msgspec.structs import replace

from sheetlab.finding import Finding, Severity, SheetlabError
from sheetlab.formula.tree import names
from sheetlab.metrology.budget import Budget, Source, budget
from sheetlab.metrology.statement import percentage
from sheetlab.practical.assumptions import (
    Assumption,
    ExpectedColumn,
    Settings,
    Step,
    expected,
    main_table,
    one_division,
    quiet,
    refused,
    step_of,
    steps_are_loads,
)
from sheetlab.practical.bench import no_bench
from sheetlab.practical.bench_fields import ReadingField
from sheetlab.practical.evaluate import Part, ResultValue, evaluate_practical, stated_by
from sheetlab.practical.forward import BenchError, draw, show, type_up
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
    steps_of,
    stress_at,
)
from sheetlab.practical.model import Practical
from sheetlab.practical.observations import as_cells_show
from sheetlab.practical.profile import GUM, Profile
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


class Effect(Struct, frozen=True):
    """What another number of rows and another step would do."""

    rows: int
    step: float
    """In the unit of the step; nan if there is no step."""
    relative: float | None
    """Stated uncertainty as a fraction of the result; None if it could not be formed."""
    of_breaking: float | None
    """Greatest stress as a fraction of the least breaking stress."""


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
    advice: tuple[str, ...]
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
        return next((i for i, one in enumerate(self.rows, 1) if one.of_breaking >= 1.0), None)

    @property
    def greatest(self) -> Loaded:
        """The row with the greatest stress."""
        return max(self.rows, key=lambda one: one.stress)


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
        raise SheetlabError(refused("the limit", f"{request.limit:g}", f"up to {REFUSED:g}"))
    try:
        return _Planner(practical, request, books).plan()
    except (BenchError, ArithmeticError, ValueError) as error:
        raise SheetlabError(
            refused("the assumptions", str(error), "assumptions that readings can come of")
        ) from error


def predict(
    practical: Practical, rows: Mapping[str, int], benches: int, profile: Profile = GUM
) -> ResultValue:
    """The first result as it will be stated, its variances averaged over virtual benches.

    Raises
    ------
    BenchError
        If readings cannot be formed, or no result of them.
    """
    found = []
    for seed in range(benches):
        cells = type_up(show(practical, draw(practical, seed, rows=rows)))
        typed = as_cells_show(practical, cells)
        one = evaluate_practical(practical, typed, trials=0, profile=profile).measurand
        if one is not None and one.budget.standard_uncertainty:
            found.append(one)
    if not found:
        raise BenchError("no result with an uncertainty comes of these assumptions")
    averaged = _averaged([one.budget for one in found], profile)
    first = min(
        found,
        key=lambda r: abs(r.budget.standard_uncertainty - averaged.standard_uncertainty),
    )
    its = practical.derived[first.definition.quantity].unit
    stated, spread, statement = stated_by(profile, its, averaged, first.maximum_error)
    return replace(
        first,
        budget=averaged,
        parts=_averaged_parts([one.parts for one in found]),
        statement=statement,
        stated=stated,
        stated_uncertainty=spread,
    )


def _averaged(budgets: Sequence[Budget], profile: Profile) -> Budget:
    """A budget with the mean variance of every source."""
    sources: dict[str, Source] = {}
    squares: dict[str, list[float]] = {}
    sensitivities: dict[str, list[float]] = {}
    for one in budgets:
        for row in one.rows:
            key = row.source.key
            sources.setdefault(key, row.source)
            squares.setdefault(key, []).append(row.contribution**2)
            sensitivities.setdefault(key, []).append(abs(row.sensitivity))
    rows = []
    for key, source in sources.items():
        contribution = math.sqrt(math.fsum(squares[key]) / len(budgets))
        sensitivity = math.fsum(sensitivities[key]) / len(sensitivities[key])
        if contribution and sensitivity:
            spread = replace(source, standard_uncertainty=contribution / sensitivity)
            rows.append((spread, sensitivity))
    value = math.fsum(one.value for one in budgets) / len(budgets)
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
            standard_uncertainty=math.sqrt(
                math.fsum(p.standard_uncertainty**2 for p in parts) / len(parts)
            ),
            share=squares[key] / total if total else 0.0,
        )
        for key, parts in by_key.items()
    ]
    return tuple(sorted(averaged, key=lambda part: -part.share))


class _Planner(Struct):
    asked: Practical
    request: Request
    books: Books
    gauge: Gauge | None = None
    material: Material | None = None
    weakest_of: tuple[str, ...] = ()
    steps_fit: bool | None = None
    """Whether the step of the plan is that of the loads; None: not looked at yet."""

    def plan(self) -> Plan:
        settings = self.settings()
        practical = settings.practical
        table = main_table(practical)
        step = step_of(practical, table)
        stress = None
        if practical.stress is not None:
            stress = self.loads(settings, table, step)
            practical = settings.practical
            step = step_of(practical, table)
        rows = settings.rows
        if stress is not None and stress.refusal is not None:
            benches, effects_benches = 1, 0
        else:
            benches, effects_benches = self.request.benches, self.request.benches_of_effects
        try:
            result = predict(practical, rows, benches, self.profile)
        except BenchError:
            if stress is not None and stress.refusal is not None:
                raise SheetlabError(stress.refusal) from None
            if stress is not None and stress.all_hung:
                raise SheetlabError(
                    refused(
                        "the masses",
                        f"they make {len(stress.rows)} loads and no schedule, and no result comes "
                        f"of these. {' '.join(stress.advice)}",
                        f"masses for {LEAST_LOADS} or more loads",
                    )
                ) from None
            raise
        return Plan(
            practical=practical,
            assumptions=tuple(self.assumptions(settings)),
            table=table,
            rows=rows[table],
            expected=tuple(expected(practical, rows, table)),
            result=result,
            step_title="" if step is None else step.title,
            step_unit="" if step is None else step.unit,
            effects=()
            if stress is not None and stress.all_hung
            else tuple(self.effects(settings, table, step, effects_benches, result)),
            stress=stress,
            profile=self.request.profile,
        )

    @property
    def profile(self) -> Profile:
        return self.request.profile or GUM

    def settings(self) -> Settings:
        made = Settings(self.asked)
        made.begin()
        stress = self.asked.stress
        if stress is None:
            for what, text in (
                ("material", self.request.material),
                ("gauge", self.request.gauge),
                ("masses", _told(self.request.masses)),
            ):
                if text:
                    raise SheetlabError(
                        refused(f"the {what} “{text}”", "nothing is loaded here", "no such option")
                    )
        else:
            self.material = self.find_material(made)
            if self.request.material or stress.material in self.request.settings:
                self.use_material(made, self.material)
            if self.request.gauge:
                if stress.diameter in self.request.settings:
                    raise SheetlabError(
                        refused(
                            f"the gauge “{self.request.gauge}” and {stress.diameter} = "
                            f"{self.request.settings[stress.diameter]}",
                            "both give the diameter",
                            "a gauge or a diameter",
                        )
                    )
                self.gauge = self.find_gauge(made)
                self.use_gauge(made, self.gauge)
        names = made.names()
        issued = {n: repr(v) for n, v in self.profile.inputs.items() if n in names}
        for name, text in (issued | dict(self.request.settings)).items():
            made.put(name, text)
        return made

    def find_material(self, settings: Settings) -> Material:
        """The material by its name, or by its choice if that has one material only.

        Where a choice that has several was set, or is the usual one, the weakest is taken.
        """
        stress = self.asked.stress
        assert stress is not None
        wanted = self.request.material
        if not wanted:
            typed = next(
                (i for i in settings.forward.inputs if i.field.key == stress.material), None
            )
            wanted = self.request.settings.get(stress.material, "" if typed is None else typed.text)
        named = [one for one in self.books.materials if one.name == wanted]
        named = named or [one for one in self.books.materials if one.choice == wanted != ""]
        if not named:
            raise SheetlabError(
                Finding(
                    "no-such-material",
                    Severity.STOP,
                    f"there is no material “{wanted}” with a breaking stress",
                    "; ".join(one.name for one in self.books.materials),
                    "Choose one, or give a file of your own with --materials.",
                )
            )
        if self.request.material and len(named) > 1:
            raise SheetlabError(
                Finding(
                    "no-such-material",
                    Severity.STOP,
                    f"“{wanted}” can be {len(named)} materials that break at different loads",
                    "; ".join(one.name for one in named),
                    "Name one of them; nothing was written.",
                )
            )
        self.weakest_of = tuple(one.name for one in named) if len(named) > 1 else ()
        return min(named, key=lambda one: one.breaking[0])

    def use_material(self, settings: Settings, material: Material) -> None:
        stress = self.asked.stress
        assert stress is not None
        typed = {one.field.key for one in settings.forward.inputs}
        listed = material.choice in self.asked.inputs[stress.material].choices
        if listed and stress.material in typed:
            settings.input(stress.material, material.choice)
        if stress.modulus:
            truth = next(t for t in settings.forward.truths if t.key == stress.modulus)
            settings.truth(stress.modulus, truth.unit.from_si(0.5 * sum(material.modulus)))
            settings.given.add(stress.modulus)

    def find_gauge(self, settings: Settings) -> Gauge:
        stress = self.asked.stress
        assert stress is not None
        truth = next((t for t in settings.forward.truths if t.key == stress.diameter), None)
        instead = (
            ""
            if truth is None
            else f" Or give no gauge but the diameter in {truth.unit.pretty}, like "
            f"--set {truth.key}={truth.low:g}"
        )
        label = read_label(self.request.gauge)
        wanted = "" if label is None else f"{label[0]} {label[1]}"
        found = next((one for one in self.books.gauges if one.name == wanted), None)
        if found is None:
            raise SheetlabError(
                Finding(
                    "no-such-gauge",
                    Severity.STOP,
                    f"there is no gauge “{self.request.gauge}”",
                    f"{self.books.gauges[0].name} to {self.books.gauges[-1].name}"
                    if self.books.gauges
                    else "a table of gauges",
                    f"Write it like “SWG 26” or “26 AWG”.{instead}",
                )
            )
        return found

    def use_gauge(self, settings: Settings, gauge: Gauge) -> None:
        stress = self.asked.stress
        assert stress is not None
        if not stress.diameter:
            raise SheetlabError(
                refused("the gauge", "the definition has no diameter for it", "no such option")
            )
        truth = next(t for t in settings.forward.truths if t.key == stress.diameter)
        settings.truth(stress.diameter, truth.unit.from_si(gauge.diameter))
        settings.given.add(stress.diameter)

    def assumptions(self, settings: Settings) -> Iterator[Assumption]:
        practical = settings.practical
        shown = quiet(practical, settings.rows)
        for truth in shown.forward.truths:
            its = practical.inputs.get(truth.key) or practical.derived.get(truth.key)
            if truth.key not in settings.given and (its is None or truth.node is not None):
                continue
            yield Assumption(
                truth.key,
                truth.key if its is None else its.title,
                truth.unit.from_si(shown.draws.truths[truth.key]),
                truth.unit.pretty,
                truth.key in settings.given,
            )
        truths = {truth.key for truth in shown.forward.truths}
        for typed in shown.forward.inputs:
            key, single = typed.field.key, shown.singles.get(typed.field.key)
            given = key in settings.given
            if key in truths or typed.node is None or not isinstance(single, float | int):
                continue
            if given or not names(typed.node):
                yield Assumption(key, typed.field.title, single, typed.field.unit.pretty, given)
        for one in shown.forward.readings:
            for part in ("noise", "place_noise"):
                size = getattr(one, part)
                name = f"{one.column}.{part}"
                if size or name in settings.given:
                    what = "scatter" if part == "noise" else "scatter from row to row"
                    title = f"{what}: {self.title(one)}"
                    yield Assumption(name, title, size, one.unit.pretty, name in settings.given)
        for key, scale in shown.forward.scales.items():
            if "least_count" in scale.values:
                parts = {f"{key}.{name}" for name in scale.parameters}
                yield Assumption(
                    f"{key}.{'/.'.join(scale.parameters)}",
                    f"{practical.owner(key)}: least count",
                    scale.values["least_count"],
                    scale.unit.pretty,
                    bool(parts & settings.given),
                )
            limit = practical.inputs.get(f"{key}.limit")
            if limit is not None and limit.default is not None:
                yield Assumption(
                    limit.key,
                    f"{practical.owner(key)}: permissible error ±",
                    limit.default,
                    limit.unit.pretty or "of it",
                    limit.key in settings.given,
                )

    def title(self, one: ReadingField) -> str:
        return self.asked.field(one.keys[0]).title

    # -- loads

    def loads(self, settings: Settings, table: str, step: Step | None) -> StressPlan:
        practical, material = settings.practical, self.material
        stress = practical.stress
        assert stress is not None
        assert material is not None
        masses = self.request.masses
        chosen = {f"{table}.rows", *([step.name] if step else [])} & settings.given
        schedule = self.schedule(settings, table, step, material)
        all_hung = False
        if masses and step is not None and step.name in chosen and self.steps_fit:
            self.lay(settings, table, step)
        elif masses and schedule is not None and chosen:
            schedule = self.with_rows(settings, table, step, material, schedule)
            chosen = set()
        elif masses and schedule is None:
            all_hung = True
        advice: tuple[str, ...] = ()
        if schedule is None:
            advice = tuple(self.advice(settings, table, step, material))
        if all_hung:
            self.hang_all(settings, step)
            practical = settings.practical
        followed = schedule is not None and not chosen
        if schedule is not None and followed:
            assert step is not None
            settings.rows[table] = schedule.loads
            self.use_step(settings, step.name, schedule.step)
            practical = settings.practical
        shown = quiet(practical, settings.rows)
        column = next(r for r in shown.forward.readings if stress.column in r.keys)
        rows = []
        for load in shown.true[column.column]:
            size = stress_at(shown, load)
            least = material.yielding
            rows.append(
                Loaded(
                    load,
                    size,
                    size / material.breaking[0],
                    None if least is None else size / least[0],
                )
            )
        greatest = max(rows, key=lambda one: one.stress)
        dead = shown.draws.truths.get(stress.dead_load, 0.0)
        return StressPlan(
            material=material,
            weakest_of=self.weakest_of,
            gauge=self.gauge,
            limit=self.request.limit,
            unit=column.unit.text,
            dead_load=dead,
            rows=tuple(rows),
            schedule=schedule,
            followed=followed,
            advice=advice,
            warnings=tuple(self.warnings(material, greatest)),
            refusal=self.refusal(
                material, greatest, schedule, advice, column.unit.pretty, all_hung
            ),
            reason=self.request.reason.strip(),
            masses=masses,
            all_hung=all_hung,
        )

    def lay(self, settings: Settings, table: str, step: Step) -> None:
        """Hold a step that was set against the masses; without set rows take all it can have."""
        masses, rows = self.request.masses, settings.rows[table]
        name = f"{table}.rows"
        if name in settings.given:
            if divided(masses, step.value, rows - 1):
                return
            found = f"{rows} loads in steps of {step.value:g} {step.unit}"
        else:
            least = _least_rows(settings.practical, table)
            for count in range(settings.practical.tables[table], least - 1, -1):
                if step.value > 0.0 and divided(masses, step.value, count - 1):
                    settings.rows[table] = count
                    return
            found = f"{least} loads in steps of {step.value:g} {step.unit}"
        raise SheetlabError(
            refused(
                f"“{step.name}”",
                f"{found} cannot be made of the masses given ({_told(masses)})",
                "loads that these masses can make, or no step, or no masses",
            )
        )

    def with_rows(
        self, settings: Settings, table: str, step: Step | None, material: Material,
        usual: Schedule,
    ) -> Schedule:  # fmt: skip
        """The schedule with just as many loads as were set."""
        rows = settings.rows[table]
        found = self.schedule(settings, table, step, material, loads=rows)
        if found is None:
            raise SheetlabError(
                refused(
                    f"“{table}.rows”",
                    f"{rows} loads within the limits cannot be made of the masses given "
                    f"({_told(self.request.masses)})",
                    f"{usual.loads}, in steps of {usual.step:g}",
                )
            )
        return found

    def hang_all(self, settings: Settings, step: Step | None) -> None:
        """Put the loads of all masses, one after another, in the place of assumed ones."""
        stress = settings.practical.stress
        assert stress is not None
        column = next(r for r in settings.forward.readings if stress.column in r.keys)
        name = f"{column.table}.rows"
        set_ = name in settings.given
        most = settings.rows[column.table] if set_ else settings.practical.tables[column.table]
        loads = hung(self.request.masses, max(most, 2))
        settings.hang(column.column, loads)
        settings.rows[column.table] = len(loads)
        if step is not None and step.name in settings.given:
            settings.given.discard(step.name)

    def use_step(self, settings: Settings, name: str, value: float) -> None:
        """Set the step, without taking it for a wish of the user."""
        before = set(settings.given)
        settings.put(name, repr(value))
        settings.given.clear()
        settings.given.update(before)

    def schedule(
        self, settings: Settings, table: str, step: Step | None, material: Material,
        masses: tuple[Masses, ...] | None = None, loads: int = 0,
    ) -> Schedule | None:  # fmt: skip
        """The recommended loads; None if none fits, or if steps cannot be set."""
        stress = settings.practical.stress
        assert stress is not None
        if self.steps_fit is None:
            self.steps_fit = step is not None and steps_are_loads(
                settings.practical, table, step.name
            )
        if step is None or not self.steps_fit:
            return None
        its = settings.practical.inputs[stress.column].unit
        shown = quiet(settings.practical, settings.rows)
        line = next(
            (one for one in settings.practical.lines.values() if _in_table(settings, one.x, table)),
            None,
        )
        read = [r for r in shown.forward.readings if r.table == table and r.rounded]
        if line is not None:
            read = [r for r in read if set(r.keys) & set(line.y)] or read
        if not read:
            return None
        most = material.breaking[0] * self.request.limit
        if material.yielding is not None:
            most = min(most, YIELD_LIMIT * material.yielding[0])

        @cache
        def allowed(load: float) -> bool:
            return stress_at(shown, its.to_si(load)) <= most * (1.0 + 1e-12)

        @cache
        def divisions(load: float) -> float:
            trial = Settings(settings.practical, {**settings.rows, table: 2})
            self.use_step(trial, step.name, load)
            seen = quiet(trial.practical, trial.rows)
            first, second = seen.seen[read[0].keys[0]][:2]
            return abs(second - first) / (one_division(seen, read[0]) or math.inf)

        if masses is None:
            masses = self.request.masses
        most_loads = loads or settings.practical.tables[table]
        return best_schedule(masses, most_loads, allowed, divisions, loads or LEAST_LOADS)

    def advice(
        self, settings: Settings, table: str, step: Step | None, material: Material
    ) -> Iterator[str]:
        """Which change alone makes a schedule possible: masses, load, gauge, length, material."""
        stress = settings.practical.stress
        assert stress is not None
        yield (
            f"No schedule of {LEAST_LOADS} or more loads reaches {TOTAL_DIVISIONS[0]:.0f} "
            f"divisions in steps of {STEP_DIVISIONS[0]:.0f} or more within the limits."
        )
        count = sum(one.count for one in self.request.masses)
        if self.request.masses and count + 1 < LEAST_LOADS:
            yield (
                f"The masses given ({_told(self.request.masses)}) make {count + 1} loads at most; "
                "take more and smaller ones."
            )
        if step is None:
            return
        found = []
        unit_text = settings.practical.inputs[stress.column].unit.pretty

        def told(what: str, one: Schedule) -> str:
            return f"{what}: then {one.loads} loads in steps of {one.step:g} {unit_text} fit."

        if self.request.masses:
            other = self.schedule(settings, table, step, material, ())
            if other is not None:
                found.append(told("Other masses", other))
        if stress.dead_load:
            found += self.lighter(settings, table, step, material, told)
        if stress.diameter:
            found += self.other_gauge(settings, table, step, material, told)
        if stress.length:
            found += self.longer(settings, table, step, material, told)
        for one in sorted(self.books.materials, key=lambda m: m.breaking[0]):
            trial = Settings(settings.practical, dict(settings.rows))
            try:
                self.use_material(trial, one)
                other = self.schedule(trial, table, step, one)
            except (SheetlabError, BenchError):
                continue
            if other is not None:
                found.append(told(f"Material: {one.name}", other))
                break
        if not found and self.request.masses and stress.diameter:

            def both(what: str, one: Schedule) -> str:
                return told(f"Other masses and {what[:1].lower()}{what[1:]}", one)

            found += self.other_gauge(settings, table, step, material, both, ())
        yield from found or [
            "No change of masses, dead load, gauge, length or material alone is enough."
        ]

    def other_gauge(
        self, settings: Settings, table: str, step: Step, material: Material,
        told: Callable[[str, Schedule], str], masses: tuple[Masses, ...] | None = None,
    ) -> list[str]:  # fmt: skip
        stress = settings.practical.stress
        assert stress is not None
        here = quiet(settings.practical, settings.rows).draws.truths[stress.diameter]
        near = sorted(self.books.gauges, key=lambda one: abs(math.log(one.diameter / here)))
        for gauge in near[:GAUGES_TRIED]:
            trial = Settings(settings.practical, dict(settings.rows))
            try:
                self.use_gauge(trial, gauge)
                other = self.schedule(trial, table, step, material, masses)
            except (SheetlabError, BenchError):
                continue
            if other is not None:
                what = f"Gauge: {gauge.name} ({1000 * gauge.diameter:.3f} mm)"
                return [told(what, other)]
        return []

    def lighter(
        self, settings: Settings, table: str, step: Step, material: Material,
        told: Callable[[str, Schedule], str],
    ) -> list[str]:  # fmt: skip
        stress = settings.practical.stress
        assert stress is not None
        truth = next(t for t in settings.forward.truths if t.key == stress.dead_load)
        for factor in LIGHTER:
            trial = Settings(settings.practical, dict(settings.rows))
            load = float(f"{truth.low * factor:.2g}")
            trial.truth(stress.dead_load, load)
            other = self.schedule(trial, table, step, material)
            if other is not None:
                return [told(f"Dead load: {load:g} {truth.unit.pretty}", other)]
        return []

    def longer(
        self, settings: Settings, table: str, step: Step, material: Material,
        told: Callable[[str, Schedule], str],
    ) -> list[str]:  # fmt: skip
        stress = settings.practical.stress
        assert stress is not None
        truth = next(t for t in settings.forward.truths if t.key == stress.length)
        here = truth.unit.from_si(
            quiet(settings.practical, settings.rows).draws.truths[stress.length]
        )
        for factor in LONGER:
            trial = Settings(settings.practical, dict(settings.rows))
            length = float(f"{here * factor:.3g}")
            try:
                trial.truth(stress.length, length)
                other = self.schedule(trial, table, step, material)
            except (SheetlabError, BenchError):
                continue
            if other is not None:
                return [told(f"Length: {length:g} {truth.unit.pretty}", other)]
        return []

    def warnings(self, material: Material, greatest: Loaded) -> Iterator[Finding]:
        if not material.confirmed:
            yield Finding(
                "material-unconfirmed",
                Severity.DOUBTFUL,
                f"the strength of “{material.name}” is not confirmed",
                "a breaking stress with a source",
                "Ask the supplier, or break a piece of the same reel in a guarded test.",
            )
        stress = self.asked.stress
        assert stress is not None
        choices = self.asked.inputs[stress.material].choices
        if material.choice and material.choice not in choices:
            yield Finding(
                "material-not-listed",
                Severity.NOTE,
                f"the practical's list of materials has no “{material.choice}”, which "
                f"“{material.name}” gives as its choice",
                f"one of: {', '.join(choices)}",
                "Correct the file of materials; the plan is made with the usual entry.",
            )
        if material.yielding is not None and material.yielding[0] >= material.breaking[0]:
            yield Finding(
                "yield-above-breaking",
                Severity.NOTE,
                f"the least yield stress given for “{material.name}” is not below its least "
                "breaking stress: wires of one name differ, and both are the least of many",
                "a yield stress below the breaking stress",
                "Keep to the fraction of breaking; watch whether the wire comes back.",
            )
        if material.yielding is None:
            yield Finding(
                "no-yield-stress",
                Severity.NOTE,
                f"no yield stress with a source is known for “{material.name}”",
                "a yield stress",
                "Give one in a file with --materials; watch whether the wire comes back.",
            )
        if greatest.of_breaking > self.request.limit * (1.0 + 1e-9):
            yield Finding(
                "load-high",
                Severity.DOUBTFUL,
                f"the greatest load brings the wire to {percentage(greatest.of_breaking)} of the "
                "least breaking stress",
                f"{percentage(self.request.limit)} at most",
                "Take fewer or smaller masses, or another wire.",
            )
        if greatest.of_yield is not None and greatest.of_yield > YIELD_LIMIT * (1.0 + 1e-9):
            yield Finding(
                "load-near-yield",
                Severity.DOUBTFUL,
                f"the greatest load brings the wire to {percentage(greatest.of_yield)} of the "
                "least yield stress",
                f"{percentage(YIELD_LIMIT)} at most, so that the wire comes back",
                "Take fewer or smaller masses, or another wire; near yield the readings predicted "
                "here no longer hold.",
            )

    def refusal(
        self, material: Material, greatest: Loaded, schedule: Schedule | None,
        advice: Sequence[str], load_unit: str, all_hung: bool,
    ) -> Finding | None:  # fmt: skip
        if greatest.of_breaking <= REFUSED or self.request.reason.strip():
            return None
        remedy = " ".join(advice)
        what = "the greatest load brings"
        if all_hung:
            what = (
                "these masses give no schedule within the limits; hung one after another, all of "
                "them and the dead load bring"
            )
        if schedule is not None:
            remedy = (
                f"Within the limits are {schedule.loads} loads in steps of {schedule.step:g} "
                f"{load_unit}."
            )
        return Finding(
            "load-refused",
            Severity.STOP,
            f"{what} the wire to {greatest.stress / 1e6:.0f} MPa, "
            f"{percentage(greatest.of_breaking)} of the least breaking stress of {material.name} "
            f"({material.breaking[0] / 1e6:.0f} MPa)",
            f"{percentage(REFUSED)} at most, or a stated reason (--reason)",
            f"{remedy} Nothing was written.",
        )

    # -- effects

    def effects(
        self, settings: Settings, table: str, step: Step | None, benches: int, stated: ResultValue
    ) -> Iterator[Effect]:
        if not benches:
            return
        least = _least_rows(settings.practical, table)
        most = settings.practical.tables[table]
        here = settings.rows[table]
        # few benches compare well with each other; their level is that of the stated prediction
        few = predict(settings.practical, settings.rows, benches, self.profile)
        scale = _relative(stated) / _relative(few)
        counts = sorted({max(least, 3), here, (max(least, 3) + most) // 2, most})
        values = [math.nan] if step is None else [step.value * f for f in (0.5, 1.0, 1.5)]
        masses = self.request.masses if self.steps_fit and step is not None else ()
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
                trial = Settings(settings.practical, {**settings.rows, table: rows})
                try:
                    if step is not None:
                        self.use_step(trial, step.name, value)
                    stressed = self.stressed(trial)
                    if stressed is not None and stressed > REFUSED:
                        yield Effect(rows, value, None, stressed)
                        continue
                    found = predict(trial.practical, trial.rows, benches, self.profile)
                    yield Effect(rows, value, scale * _relative(found), stressed)
                except (BenchError, SheetlabError, ArithmeticError, ValueError):
                    yield Effect(rows, value, None, None)

    def stressed(self, settings: Settings) -> float | None:
        stress = settings.practical.stress
        if stress is None or self.material is None:
            return None
        shown = quiet(settings.practical, settings.rows)
        column = next(r for r in shown.forward.readings if stress.column in r.keys)
        greatest = max(stress_at(shown, load) for load in shown.true[column.column])
        return greatest / self.material.breaking[0]


def _relative(result: ResultValue) -> float:
    """The stated uncertainty as a fraction of the result."""
    return abs(result.stated_uncertainty / result.budget.value)


def _in_table(settings: Settings, key: str, table: str) -> bool:
    return settings.practical.field(key).table == table


def _least_rows(practical: Practical, table: str) -> int:
    return next(t for t in practical.definition.tables if t.id == table).minimum_rows


def _told(masses: Sequence[Masses]) -> str:
    return ", ".join(f"{one.mass:g} × {one.count}" for one in masses)
