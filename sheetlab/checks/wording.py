"""Sentences about a result, made from its numbers; used by every sheet and report."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import ParamSpec

from sheetlab.checks.assess import Assessment
from sheetlab.formula.render import printed
from sheetlab.metrology.budget import coverage_factor, shrink_to_halve
from sheetlab.metrology.linetests import TestResult
from sheetlab.metrology.montecarlo import NOTABLE
from sheetlab.metrology.statement import Statement, significant, state
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


def share(part: float) -> str:
    """A share of the variance as text."""
    return "< 0.1 %" if 0.0 < part < 0.001 else f"{100.0 * part:.1f} %"


def percent(part: float, whole: float) -> str:
    """A relative size as text."""
    return f"{significant(100.0 * abs(part / whole), 2)} %" if whole else ""


DIVISION = {"whole": "least counts", "half": "half least counts"}


def _difference(profile: Profile, difference: float) -> str:
    """The percentage difference with its sign, if the profile wants one."""
    shown, rule = profile.signed_difference(difference), profile.difference_rule
    if not rule:
        return ""
    return f": 100 × ({rule}) ÷ accepted = {shown:+.2g} %".replace("-", "−")


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


def _taken(tolerance: float) -> str:
    if not tolerance:
        return "taking the accepted value as exact"
    return f"taking ± {100.0 * tolerance:.2g} % for the accepted value, as books differ"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _tested(found: TestResult, letter: str, far: str, near: str) -> str:
    chance = max(100.0 * found.probability, 0.01)
    text = "below 0.01 %" if found.probability < 1e-4 else f"{chance:.2g} %"
    is_far = found.probability < SIGNIFICANT
    statistic = "very large" if math.isinf(found.statistic) else f"{found.statistic:.2f}"
    return (
        f"{far if is_far else near} ({letter} = {statistic}; for a straight line chance alone "
        f"gives as much in {text} of cases)."
    ).replace("-", "−")


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


@dataclass(frozen=True, slots=True)
class Words:
    """Sentences about the results of a practical, by the conventions of a profile."""

    practical: Practical
    profile: Profile

    def result_unit(self, result: ResultValue) -> Unit:
        """Unit in which a result is stated."""
        return self.practical.derived[result.definition.quantity].unit

    def statement_line(self, result: ResultValue) -> str:
        """``Y = (2.02 ± 0.09) × 10¹¹ Pa = (202 ± 9) GPa``."""
        its = self.practical.derived[result.definition.quantity]
        if result.statement is None:
            value = significant(its.unit.from_si(result.budget.value))
            return self.profile.sentence(f"{its.symbol} = {value} {its.unit.pretty}".strip())
        forms = []
        if self.profile.form != "prefix":
            forms.append(str(result.statement))
        if self.profile.form != "power":
            forms.append(str(self._prefixed(result)))
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
        dof = "∞" if b.effective_dof > 999 else f"{b.effective_dof:.3g}"
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
            f"coverage probability {100 * b.coverage_probability:.0f} %."
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
        if result.definition.display_unit:
            shown = unit(result.definition.display_unit)
        difference = accepted.percent_difference
        side = "above" if difference > 0 else "below"
        lines = [
            f"Accepted value: {shown.from_si(accepted.value):.6g} {shown.pretty} "
            f"(“{accepted.source}”).",
            f"The result is {abs(difference):.2g} % {side} it"
            + _difference(self.profile, difference)
            + ".",
        ]
        if accepted.e_n is not None:
            inside = abs(accepted.e_n) <= 1.0
            lines.append(
                "The difference is "
                + ("within" if inside else "greater than")
                + " the expanded uncertainties of both"
                + f" (E_n = {accepted.e_n:.2f}, {_taken(accepted.tolerance)})".replace("-", "−")
                + ("." if inside else ": something is not accounted for, here or in the book.")
            )
        return lines

    @_said
    def trials_line(self, result: ResultValue) -> str:
        """What the Monte Carlo check said."""
        found, its = result.trials, self.result_unit(result)
        if found is None:
            return ""
        low, high = (significant(its.from_si(end), 4) for end in (found.low, found.high))
        text = (
            f"Check by {found.trials:,} random trials: {100 * found.coverage_probability:.0f} % of "
            f"them lie between {low} and {high} {its.pretty}"
        ).replace(",", " ", 1)
        if all(row.source.dof > 2 for row in result.budget.rows):
            # with two degrees of freedom or fewer the distribution has no standard deviation
            spread = significant(found.standard_uncertainty / its.factor, 2)
            text += f", with standard deviation {spread} {its.pretty}"
        text += "."
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
            text = f" That is {100.0 * size:.0f} % {more} than ± U"
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
        if found.first_is_nothing:
            return (
                "To first order no source changes this result, because its formula is at a highest "
                f"or lowest value here. u and U are those of second order; on average the value "
                f"lies off by {shift}. Take the interval of the trials, which has two sides of "
                "their own."
            ).replace("-", "−")
        change = 100.0 * (found.second / found.first - 1.0)
        counted = "which u and U include" if found.more else "which is left out"
        return (
            "The formula bends over the range of the uncertainties: terms of second order change u "
            f"by {change:+.0f} %, {counted}, and the value by {shift}. Take the interval of the "
            "trials."
        ).replace("-", "−")

    @_said
    def maximum_error_line(self, result: ResultValue) -> str:
        """The maximum error as schools reckon it."""
        if result.maximum_error is None:
            return ""
        its = self.practical.derived[result.definition.quantity]
        terms = []
        for part in result.parts:
            if part.maximum_error is not None and result.budget.value:
                one = self.practical.derived[part.key]
                term = abs(part.sensitivity) * part.maximum_error
                terms.append(f"{one.symbol or one.title} {percent(term, result.budget.value)}")
        return (
            f"Maximum error (all terms added, {DIVISION[self.profile.division]} as errors): "
            f"± {significant(result.maximum_error / its.unit.factor, 2)} {its.unit.pretty}, "
            f"that is {percent(result.maximum_error, result.budget.value)}"
            + (f" ({', '.join(terms)})." if terms else ".")
            + self._scatter_is_wider(result)
        )

    @_all_said
    def alternatives_lines(self, result: ResultValue) -> list[str]:
        """The same result by other methods."""
        lines = []
        for other in result.alternatives:
            its = self.practical.derived[other.key]
            whole = result.budget.value
            change = 100.0 * (other.value / whole - 1.0) if whole else 0.0
            lines.append(
                f"{other.title}: {other.symbol} = {significant(its.unit.from_si(other.value))} "
                f"{its.unit.pretty} ({change:+.2f} %).".replace("-", "−")
            )
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
            u = significant(fit.u_intercept / its.factor, 2)
            text = f"{several} ({significant(its.from_si(fit.intercept))} ± {u}) {its.pretty}; "
        spread = significant(fit.residual_deviation / its.factor, 3)
        text += f"standard deviation about the line {spread} {its.pretty}, "
        stated = line.field.kind in ("weighted", "both_errors")
        if stated:
            text += f"χ² = {significant(fit.chi_squared, 3)} for "
        source = "the stated ones of the points" if stated else "the scatter"
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
                f"Slopes of {second} and {first}: their difference is {ratio:.1f} times its "
                "standard uncertainty; "
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
                f"best line; it spans {100.0 * study.triangle.span:.0f} % of the line."
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
            change = 100.0 * (whole.budget.value / kept.budget.value - 1.0)
            line += f" ({change:+.2g} %)".replace("-", "−")
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
        source = result.budget.rows[0].source
        largest = (
            f"Largest single source: {source.label} ({100 * result.budget.rows[0].share:.0f} %)."
        )
        first = result.parts[0]
        if not first.share:
            return [largest]
        name = self._named(first)
        symbol = self.practical.derived[result.definition.quantity].symbol
        lines = [f"{_sentence(name)} makes {100 * first.share:.0f} % of the variance of {symbol}."]
        factor = shrink_to_halve(first.share)
        if factor is not None:
            lines.append(
                f"To halve the uncertainty of {symbol}, the uncertainty of this measurement alone "
                f"has to fall to {factor:.2f} of what it is; nothing else needs more care."
            )
        else:
            second = result.parts[1] if len(result.parts) > 1 else None
            without = (1.0 - first.share) ** 0.5
            also = f" Look at {self._named(second)} too." if second is not None else ""
            lines.append(
                f"No better measurement of it alone can halve the uncertainty: without it, "
                f"{without:.2f} of the uncertainty would remain.{also}"
            )
        return [*lines, largest]

    def _named(self, part: Part) -> str:
        one = self.practical.field(part.key)
        return f"{one.title} {one.symbol}".strip()
