"""Sentences about a result, made from its numbers; used by every sheet and report."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import wraps
from typing import ParamSpec

from msgspec import Struct

from sheetlab.checks.assess import Assessment
from sheetlab.formula.render import printed
from sheetlab.metrology.agreement import vague
from sheetlab.metrology.budget import coverage_factor, shrink_to_halve, whole_dof
from sheetlab.metrology.linetests import TestResult
from sheetlab.metrology.montecarlo import NOTABLE
from sheetlab.metrology.statement import (
    MOST_PERCENT,
    Statement,
    beside,
    percentage,
    plain,
    share,
    significant,
    state,
    stated,
)
from sheetlab.practical.evaluate import AcceptedValue, LineResult, Part, ResultValue
from sheetlab.practical.model import Practical
from sheetlab.practical.profile import Profile
from sheetlab.practical.study import LineStudy
from sheetlab.units import Unit, unit, with_prefix

REASONS = {
    "bent": ", because the formula bends over the range of the uncertainties",
    "bounded": ", because errors with sharp limits make up most of it",
}
"""Why the interval of the trials is the better one."""
SIGNIFICANT = 0.01
"""Probability below which a test of a line is said to speak against it."""


def relative(part: float, whole: float) -> str:
    """An uncertainty in per cent of a value; empty near zero, where it says nothing."""
    return "" if vague(part, whole) else percentage(abs(part / whole))


def verdict_lines(accepted: AcceptedValue) -> list[str]:
    """What the comparison with an accepted value says; nothing without an uncertainty."""
    if accepted.e_n is None or accepted.verdict is None:
        return []
    number = f"E_n = {significant(accepted.e_n, 2)}"
    return [
        {
            "agrees": f"The difference is within the expanded uncertainty ({number}): they agree.",
            "between": f"That is more than the expanded uncertainty explains ({number}), but books "
            "differ by as much: it is neither confirmed nor contradicted.",
            "differs": f"That is more than the expanded uncertainty "
            f"{'and the differences of books explain' if accepted.tolerance else 'explains'} "
            f"({number}): something is not accounted for, here or in the book.",
            "open": "The expanded uncertainty is more than half of the accepted value. Such a "
            "result agrees with nearly anything, so the comparison says nothing.",
        }[accepted.verdict]
    ]


DIVISION = {"whole": "least counts", "half": "half least counts"}


def _difference(profile: Profile, difference: float) -> str:
    """The percentage difference with its sign, if the profile wants one."""
    shown, rule = profile.signed_difference(difference), profile.difference_rule
    if not rule or abs(shown) > MOST_PERCENT:
        return ""
    return f": 100 × ({rule}) ÷ accepted = {percentage(shown / 100.0, signed=True)}"


P = ParamSpec("P")


def _said(method: Callable[P, str]) -> Callable[P, str]:
    """What a method says, with the decimal mark of its profile."""

    @wraps(method)
    def said(*args: P.args, **kwargs: P.kwargs) -> str:
        profile: Profile = args[0].profile  # type: ignore[attr-defined]
        return profile.sentence(method(*args, **kwargs))

    return said


def _all_said(method: Callable[P, list[str]]) -> Callable[P, list[str]]:
    """The same for several lines."""

    @wraps(method)
    def said(*args: P.args, **kwargs: P.kwargs) -> list[str]:
        profile: Profile = args[0].profile  # type: ignore[attr-defined]
        return [profile.sentence(line) for line in method(*args, **kwargs)]

    return said


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _tested(found: TestResult, letter: str, far: str, near: str) -> str:
    is_far = found.probability < SIGNIFICANT
    size = "very large" if math.isinf(found.statistic) else significant(found.statistic, 3)
    chance = percentage(found.probability)
    return (
        f"{far if is_far else near} ({letter} = {size}; for a straight line chance alone "
        f"gives as much in {chance} of cases)."
    )


def headline(assessment: Assessment) -> str:
    """Status of a workbook in a line."""
    doubtful = [f for f in assessment.findings if f.severity != "note"]
    match assessment.status:
        case "ok":
            return "No reading looks doubtful."
        case "doubtful":
            many = f"{len(doubtful)} findings need" if len(doubtful) > 1 else "One finding needs"
            return f"{many} a look before this result is trusted."
    return "The result could not be formed; the findings say what is missing."


class Words(Struct, frozen=True):
    """Sentences about the results of a practical, by the conventions of a profile."""

    practical: Practical
    profile: Profile

    def result_unit(self, result: ResultValue) -> Unit:
        """Unit in which a result is shown beside its statement."""
        return self.unit_of(result.definition.quantity)

    def unit_of(self, key: str) -> Unit:
        """Unit in which a quantity is shown: of a result, and of its alternatives, that one."""
        own = self.practical.field(key).unit
        for result in self.practical.definition.results:
            if result.display_unit and key in (result.quantity, *result.alternatives):
                shown = unit(result.display_unit)
                return shown if shown.dimension == own.dimension else own
        return own

    def statement_line(self, result: ResultValue) -> str:
        """``Y = (2.02 ± 0.09) × 10¹¹ Pa = (202 ± 9) GPa``."""
        its = self.practical.derived[result.definition.quantity]
        if result.statement is None:
            value = significant(its.unit.from_si(result.budget.value))
            return self.profile.sentence(f"{its.symbol} = {value} {its.unit.pretty}".strip())
        prefixed = self._prefixed(result)
        if prefixed.exponent and not prefixed.value.strip("−0.,"):
            # a value of which its uncertainty leaves no digit: both are said, in one unit
            shown = self.result_unit(result)
            value = significant(shown.from_si(result.budget.value), 2)
            u = significant(result.stated_uncertainty / shown.factor, 2)
            text = f"{its.symbol} = {value} {shown.pretty}, far less than ± {u} {shown.pretty}"
            return self.profile.sentence(text)
        if prefixed.exponent or self.profile.form == "power":
            # a prefix is there to do without a power of ten
            return f"{its.symbol} = {result.statement}"
        forms = [str(prefixed)]
        if self.profile.form != "prefix":
            forms.insert(0, str(result.statement))
        return " = ".join(dict.fromkeys((its.symbol, *forms)))

    def _prefixed(self, result: ResultValue) -> Statement:
        """The statement in the display unit of the definition, or with an SI prefix."""
        its = self.practical.derived[result.definition.quantity].unit
        if result.definition.display_unit:
            other = unit(result.definition.display_unit)
        elif self.profile.form == "prefix":
            other = with_prefix(its, result.budget.value)
        else:
            other = its
        return state(
            other.from_si(result.budget.value),
            result.stated_uncertainty / other.factor,
            other.pretty,
            self.profile.digits,
            self.profile.decimal_mark,
        )

    @_said
    def uncertainty_line(self, result: ResultValue) -> str:
        """Which uncertainty the statement gives."""
        b, profile = result.budget, self.profile
        dof = "∞" if b.effective_dof > 999 else str(whole_dof(b.effective_dof))
        if result.stated == "maximum":
            return (
                "The number after ± is the maximum error: all terms added, "
                f"{DIVISION[profile.division]} as the error of a reading."
                + self._scatter_is_wider(result)
            )
        lead = ""
        if profile.stated == "maximum":
            lead = "No maximum error is laid down for this result. "
        if result.stated == "standard":
            return (
                f"{lead}The number after ± is the combined standard uncertainty u, with {dof} "
                "effective degrees of freedom."
            )
        if profile.coverage_factor:
            return (
                f"{lead}The number after ± is the expanded uncertainty U = k u, with "
                f"k = {b.coverage_factor:.2f} by agreement."
            )
        return (
            f"{lead}The number after ± is the expanded uncertainty U = k u, with "
            f"k = {b.coverage_factor:.2f} from Student's t for {dof} effective degrees of freedom; "
            f"coverage probability {plain(100.0 * b.coverage_probability)} %."
        )

    def _scatter_is_wider(self, result: ResultValue) -> str:
        """A warning where the readings scatter by more than the maximum error reckons with."""
        b, maximum = result.budget, result.maximum_error
        if maximum is None or b.expanded_uncertainty <= maximum:
            return ""
        its = self.result_unit(result)
        spread = significant(b.expanded_uncertainty / its.factor, 2)
        return (
            f" It does not count the scatter of the readings, which is wider here: the expanded "
            f"uncertainty is {spread} {its.pretty}."
        )

    @_all_said
    def accepted_lines(self, result: ResultValue, accepted: AcceptedValue) -> list[str]:
        """Comparison with the accepted value, and where that comes from."""
        shown = self.result_unit(result)
        difference = accepted.percent_difference
        side = "above" if difference > 0 else "below"
        value, apart = plain(shown.from_si(accepted.value)), accepted.tolerance
        books = f"; books differ by ± {percentage(apart)}" if apart else ""
        return [
            f"Accepted value: {value} {shown.pretty} (“{accepted.source}”){books}.",
            f"The result is {percentage(abs(difference) / 100.0)} {side} it"
            + _difference(self.profile, difference)
            + ".",
            *verdict_lines(accepted),
        ]

    @_said
    def trials_line(self, result: ResultValue) -> str:
        """What the Monte Carlo check said."""
        found, its = result.trials, self.result_unit(result)
        if found is None:
            return ""
        spread = found.standard_uncertainty / its.factor
        low, high = (beside(its.from_si(end), spread, 1) for end in (found.low, found.high))
        count = f"{found.trials:,}".replace(",", " ")
        text = (
            f"Check by {count} random trials: {plain(100.0 * found.coverage_probability)} % of "
            f"them lie between {low} and {high} {its.pretty}."
        )
        if not found.stable:
            text += " So many trials did not settle the figures to the last digit shown."
        return text + self._why_another(result)

    def _why_another(self, result: ResultValue) -> str:
        """Why the interval of the trials is another than ± U, and which of them to quote."""
        validation = result.validation
        if validation is None or not validation.reason:
            return ""
        size = abs(validation.wider)
        text = " That is another interval than ± U"
        if size > NOTABLE:
            more = "wider" if validation.wider > 0.0 else "narrower"
            text = f" That is {percentage(size)} {more} than ± U"
        if validation.reason == "few":
            b = result.budget
            factor = coverage_factor(b.effective_dof, b.coverage_probability)
            if factor > (1.0 + NOTABLE) * b.coverage_factor:
                return text + (
                    f": k = {b.coverage_factor:g} by agreement is too small for so few readings; "
                    f"quote U with k = {factor:.2f} from Student's t."
                )
            return text + (
                ": they draw each scatter of a few readings by itself (JCGM 101), which makes the "
                "sum too wide. In simulated experiments ± U covers what it says; quote ± U."
            )
        return text + REASONS[validation.reason] + "; quote the interval of the trials."

    @_said
    def second_order_line(self, result: ResultValue) -> str:
        """What is done where the first order of the propagation is not enough; otherwise empty."""
        found = result.second_order
        if found is None or found.first_is_enough:
            return ""
        its = self.result_unit(result)
        shift = f"{significant(found.shift / its.factor, 2)} {its.pretty}"
        take = "" if result.trials is None else " Take the interval of the trials"
        if found.first_is_nothing:
            return (
                "To first order no source changes this result, because its formula is at a highest "
                f"or lowest value here. u and U are those of second order; on average the value "
                f"lies off by {shift}." + (take and f"{take}, which has two sides of their own.")
            )
        change = percentage(found.second / found.first - 1.0, signed=True)
        counted = "which u and U include" if found.more else "which is left out"
        return (
            "The formula bends over the range of the uncertainties: terms of second order change u "
            f"by {change}, {counted}, and the value by {shift}." + (take and f"{take}.")
        )

    @_said
    def budget_line(self, result: ResultValue) -> str:
        """``u(Y) = 4.3 GPa, k = 2.09, U(Y) = 9.0 GPa.``"""
        b, its = result.budget, self.result_unit(result)
        symbol = self.practical.derived[result.definition.quantity].symbol
        u, expanded = (
            f"{significant(size / its.factor, 2)} {its.pretty}".rstrip()
            for size in (b.standard_uncertainty, b.expanded_uncertainty)
        )
        return f"u({symbol}) = {u}, k = {b.coverage_factor:.2f}, U({symbol}) = k u = {expanded}."

    @_said
    def maximum_error_line(self, result: ResultValue) -> str:
        """The maximum error as schools reckon it."""
        if result.maximum_error is None:
            return ""
        its = self.result_unit(result)
        terms, whole = [], result.budget.value
        widest = max(result.maximum_error, result.budget.expanded_uncertainty)
        size = relative(result.maximum_error, whole) if relative(widest, whole) else ""
        for part in result.parts:
            if part.maximum_error is not None and size:
                one = self.practical.derived[part.key]
                term = percentage(abs(part.sensitivity * part.maximum_error / whole))
                terms.append(f"{one.symbol or one.title} {term}")
        return (
            f"Maximum error (all terms added, {DIVISION[self.profile.division]} as errors): "
            f"± {significant(result.maximum_error / its.factor, 2)} {its.pretty}"
            + (f", that is {size}" if size else "")
            + (f" ({', '.join(terms)})." if terms else ".")
            + self._scatter_is_wider(result)
        )

    @_all_said
    def alternatives_lines(self, result: ResultValue) -> list[str]:
        """The same result by other methods."""
        lines = []
        for other in result.alternatives:
            its, whole = self.unit_of(other.key), result.budget.value
            value = beside(its.from_si(other.value), result.stated_uncertainty / its.factor, 1)
            change = f" ({percentage(other.value / whole - 1.0, signed=True)})" if whole else ""
            lines.append(f"{other.title}: {other.symbol} = {value} {its.pretty}{change}.")
        formed = {other.key for other in result.alternatives}
        return lines + [
            f"{self.practical.derived[key].title}: not formed; it needs a reading in every row."
            for key in result.definition.alternatives
            if key not in formed
        ]

    @_said
    def scatter_line(self, line: LineResult) -> str:
        """Intercept of a line and the scatter about it."""
        its, fit = self.practical.field(line.field.y[0]).unit, line.fit
        several = "mean intercept of the series" if len(fit.intercepts) > 1 else "intercept"
        text = ""
        if line.field.kind != "origin":
            its_own = its.from_si(fit.intercept), fit.u_intercept / its.factor
            text = f"{several} {stated(*its_own, its.pretty)}; "
        spread = significant(fit.residual_deviation / its.factor, 3)
        text += f"standard deviation about the line {spread} {its.pretty}, "
        known = line.field.kind in ("weighted", "both_errors")
        if known:
            text += f"χ² = {significant(fit.chi_squared, 3)} for "
        source = "the stated ones of the points" if known else "the scatter"
        return _sentence(f"{text}{fit.dof} degrees of freedom; uncertainties here from {source}.")

    @_all_said
    def study_lines(self, study: LineStudy) -> list[str]:
        """What the tests of a line say."""
        line = study.line
        y = self.practical.field(line.field.y[0]).unit
        lines = []
        if study.curvature is not None:
            lines.append(
                _tested(
                    study.curvature,
                    "t",
                    "Curvature: the points bend",
                    "Curvature: none that chance would not explain",
                )
            )
        if study.lack_of_fit is not None:
            lines.append(
                _tested(
                    study.lack_of_fit,
                    "F",
                    "Line against repeats: the means lie farther from the line than repeats differ",
                    "Line against repeats: the means lie as near the line as repeats differ",
                )
            )
        if study.passes is not None and study.passes[1] > 0.0:
            difference, u = study.passes
            first, second = line.field.labels[:2]
            ratio = abs(difference) / u
            lines.append(
                f"Slopes of {second} and {first}: their difference is {significant(ratio, 2)} "
                "times its standard uncertainty; "
                + ("they agree." if ratio <= 2.0 else "up to 2 is usual: look at the residuals.")
            )
        if study.half_bar and study.extremes is None and not line.field.definition.through_origin:
            bar = significant(study.half_bar / y.factor, 2)
            lines.append(
                f"No straight line passes through error bars of ± one division ({bar} {y.pretty}) "
                "of all mean readings."
            )
        if study.triangle is not None:
            shown = [
                f"{significant(abs(d) / y.factor, 2)} {y.pretty} {'above' if d > 0 else 'below'}"
                for d in study.triangle.distances
            ]
            lines.append(
                f"The group's gradient triangle: its corners lie {shown[0]} and {shown[1]} the "
                f"best line; it spans {percentage(study.triangle.span)} of the line."
            )
        return lines

    @_all_said
    def left_out_lines(self, assessment: Assessment) -> list[str]:
        """Rows that a person left out, why, and the first result with every row."""
        found = assessment.evaluation
        if not found.left_out:
            return []
        titles = {table.id: table.title for table in assessment.practical.definition.tables}
        lines = [
            f"Left out by hand: row {one.row + 1} of “{titles[one.table]}”, because “{one.reason}”."
            for one in found.left_out
        ]
        whole, kept = found.with_every_row[0], found.measurand
        if whole is None:
            return [*lines, "With every row no result could be formed."]
        line = f"With every row: {self.statement_line(whole)}"
        if kept is not None and kept.budget.value:
            change = whole.budget.value / kept.budget.value - 1.0
            line += f" ({percentage(change, signed=True)})"
        return [*lines, line + "."]

    @_all_said
    def formula_lines(self, result: ResultValue) -> list[str]:
        """The formula, and the formula with the numbers put in (SI units)."""
        its = self.practical.derived[result.definition.quantity]
        symbols = {key: one.symbol or one.title for key, one in self.practical.derived.items()}
        symbols |= {key: one.symbol or one.title for key, one in self.practical.inputs.items()}
        values = {part.key: significant(part.value, 5) for part in result.parts}
        lines = [f"{its.symbol} = {printed(its.node, lambda key: symbols[key])}"]
        if values:
            numbers = printed(its.node, lambda key: values.get(key, symbols[key]), " × ")
            value = significant(result.budget.value, 5)
            lines.append(f"{its.symbol} = {numbers} = {value}  (all in SI units)")
        return lines

    @_all_said
    def dominant_lines(self, result: ResultValue) -> list[str]:
        """Which measurement decides the uncertainty, and what would halve it."""
        if not result.parts or result.budget.standard_uncertainty == 0.0:
            return []
        row = result.budget.rows[0]
        advice = f" What helps most: {row.source.advice}." if row.source.advice else ""
        largest = f"Largest single source: {row.source.label} ({share(row.share)}).{advice}"
        first = result.parts[0]
        if not first.share:
            return [largest]
        name = self._named(first)
        symbol = self.practical.derived[result.definition.quantity].symbol
        lines = [f"{_sentence(name)} makes {share(first.share)} of the variance of {symbol}."]
        factor = shrink_to_halve(first.share)
        if factor is not None:
            lines.append(
                f"To halve the uncertainty of {symbol}, the uncertainty of this measurement alone "
                f"has to fall to {percentage(factor)} of what it is."
            )
        else:
            second = result.parts[1] if len(result.parts) > 1 else None
            without = (1.0 - first.share) ** 0.5
            also = f" Look at {self._named(second)} too." if second is not None else ""
            lines.append(
                f"No better measurement of it alone can halve the uncertainty: without it, "
                f"{percentage(without)} of the uncertainty would remain.{also}"
            )
        return [*lines, largest]

    def _named(self, part: Part) -> str:
        one = self.practical.field(part.key)
        return f"{one.title} {one.symbol}".strip()
