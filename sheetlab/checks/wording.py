"""Sentences about a result, made from its numbers; used by every sheet and report."""

from __future__ import annotations

import math
from typing import Any

from msgspec import Struct

from sheetlab.checks.assess import Assessment
from sheetlab.formula.render import printed
from sheetlab.messages import Phrase, phrase, said
from sheetlab.metrology.agreement import vague
from sheetlab.metrology.budget import coverage_factor, shrink_to_halve, whole_dof
from sheetlab.metrology.linetests import TestResult
from sheetlab.metrology.montecarlo import NOTABLE
from sheetlab.metrology.statement import (
    MOST_PERCENT,
    Decimals,
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

SIGNIFICANT = 0.01
"""Probability below which a test of a line is said to speak against it."""


def relative(part: float, whole: float) -> str:
    """An uncertainty in per cent of a value; empty near zero, where it says nothing."""
    return "" if vague(part, whole) else percentage(abs(part / whole))


def verdict_lines(accepted: AcceptedValue, mark: str = ".") -> list[str]:
    """What the comparison with an accepted value says; nothing without an uncertainty."""
    if accepted.e_n is None or accepted.verdict is None:
        return []
    number, books = significant(accepted.e_n, 2), bool(accepted.tolerance)
    return [said(phrase("verdict", verdict=accepted.verdict, number=number, books=books), mark)]


def _size(size: float, its: Unit, digits: int = 2) -> str:
    """A difference (SI) in a unit, without its name."""
    return significant(size / its.factor, digits)


def headline(assessment: Assessment) -> str:
    """Status of a workbook in a line."""
    match assessment.status:
        case "ok":
            return said(phrase("headline-ok"))
        case "doubtful":
            count = sum(f.severity != "note" for f in assessment.findings)
            return said(phrase("headline-doubtful", count=count))
    return said(phrase("headline-failed"))


class Words(Struct, frozen=True):
    """Sentences about the results of a practical, by the conventions of a profile."""

    practical: Practical
    profile: Profile

    def _said(self, message: str, **values: Any) -> str:
        return said(phrase(message, **values), self.profile.decimal_mark)

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
            u, name = _size(result.stated_uncertainty, shown), shown.pretty
            return self._said("far-less-than", symbol=its.symbol, value=value, unit=name, u=u)
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
            other.from_si(result.budget.value), result.stated_uncertainty / other.factor,
            other.pretty, self.profile.digits, self.profile.decimal_mark,
        )  # fmt: skip

    def uncertainty_line(self, result: ResultValue) -> str:
        """Which uncertainty stands after ±."""
        b, profile = result.budget, self.profile
        if result.stated == "maximum":
            wider = self._scatter_is_wider(result)
            return self._said("stated-maximum", division=profile.division, wider=wider)
        kind = "agreed" if profile.coverage_factor else "student"
        return self._said(
            "stated-uncertainty", instead=profile.stated == "maximum",
            kind="standard" if result.stated == "standard" else kind,
            dof="∞" if b.effective_dof > 999 else str(whole_dof(b.effective_dof)),
            k=Decimals(f"{b.coverage_factor:.2f}"),
            probability=plain(100.0 * b.coverage_probability),
        )  # fmt: skip

    def _scatter_is_wider(self, result: ResultValue) -> Phrase | str:
        """A warning where the readings scatter by more than the maximum error reckons with."""
        expanded, maximum = result.budget.expanded_uncertainty, result.maximum_error
        if maximum is None or expanded <= maximum:
            return ""
        its = self.result_unit(result)
        return phrase("scatter-is-wider", spread=_size(expanded, its), unit=its.pretty)

    def accepted_lines(self, result: ResultValue, accepted: AcceptedValue) -> list[str]:
        """Comparison with the accepted value, and where that comes from."""
        shown, profile = self.result_unit(result), self.profile
        difference = accepted.percent_difference
        signed, rule = profile.signed_difference(difference), profile.difference_rule
        return [
            self._said(
                "accepted-value", value=plain(shown.from_si(accepted.value)), unit=shown.pretty,
                source=accepted.source, apart=bool(accepted.tolerance),
                books=percentage(accepted.tolerance),
            ),
            self._said(
                "accepted-difference", by=percentage(abs(difference) / 100.0),
                side="above" if difference > 0 else "below", rule=rule,
                shown=bool(rule) and abs(signed) <= MOST_PERCENT,
                signed=percentage(signed / 100.0, signed=True),
            ),
            *verdict_lines(accepted, profile.decimal_mark),
        ]  # fmt: skip

    def trials_line(self, result: ResultValue) -> str:
        """What the Monte Carlo check said."""
        trials, its = result.trials, self.result_unit(result)
        if trials is None:
            return ""
        spread = trials.standard_uncertainty / its.factor
        low, high = (beside(its.from_si(end), spread, 1) for end in (trials.low, trials.high))
        return self._said(
            "trials", count=f"{trials.trials:,}".replace(",", " "), low=low, high=high,
            probability=plain(100.0 * trials.coverage_probability), unit=its.pretty,
            stable=trials.stable, another=self._why_another(result),
        )  # fmt: skip

    def _why_another(self, result: ResultValue) -> Phrase | str:
        """Why the interval of the trials is another than ± U, and which of them to quote."""
        validation, b = result.validation, result.budget
        if validation is None or not validation.reason:
            return ""
        reason, size = validation.reason, abs(validation.wider)
        side = "wider" if validation.wider > 0.0 else "narrower"
        factor = b.coverage_factor
        if reason == "few":
            factor = coverage_factor(b.effective_dof, b.coverage_probability)
        return phrase(
            "trials-another", side=side if size > NOTABLE else "alike", by=percentage(size),
            reason="factor" if factor > (1.0 + NOTABLE) * b.coverage_factor else reason,
            k=Decimals(f"{b.coverage_factor:g}"), factor=Decimals(f"{factor:.2f}"),
        )  # fmt: skip

    def second_order_line(self, result: ResultValue) -> str:
        """What is done where the first order of the propagation is not enough; otherwise empty."""
        order = result.second_order
        if order is None or order.first_is_enough:
            return ""
        its, trials = self.result_unit(result), result.trials is not None
        shift = Decimals(f"{_size(order.shift, its)} {its.pretty}")
        if order.first_is_nothing:
            return self._said("second-order-extreme", shift=shift, trials=trials)
        change = percentage(order.second / order.first - 1.0, signed=True)
        return self._said(
            "second-order", change=change, counted=bool(order.more), shift=shift, trials=trials
        )

    def budget_line(self, result: ResultValue) -> str:
        """``u(Y) = 4.3 GPa, k = 2.09, U(Y) = 9.0 GPa.``"""
        b, its = result.budget, self.result_unit(result)
        symbol = self.practical.derived[result.definition.quantity].symbol
        u, expanded = (
            f"{_size(size, its)} {its.pretty}".rstrip()
            for size in (b.standard_uncertainty, b.expanded_uncertainty)
        )
        k = f"{b.coverage_factor:.2f}"
        return self.profile.sentence(f"u({symbol}) = {u}, k = {k}, U({symbol}) = k u = {expanded}.")

    def maximum_error_line(self, result: ResultValue) -> str:
        """The maximum error as schools reckon it."""
        maximum, whole = result.maximum_error, result.budget.value
        if maximum is None:
            return ""
        its = self.result_unit(result)
        widest = max(maximum, result.budget.expanded_uncertainty)
        size = relative(maximum, whole) if relative(widest, whole) else ""
        terms = [
            f"{one.symbol or one.title} "
            f"{percentage(abs(part.sensitivity * part.maximum_error / whole))}"
            for part in result.parts
            if part.maximum_error is not None and size
            for one in (self.practical.derived[part.key],)
        ]
        return self._said(
            "maximum-error", division=self.profile.division, value=_size(maximum, its),
            unit=its.pretty, relative=bool(size), size=size, count=len(terms),
            terms=Decimals(", ".join(terms)), wider=self._scatter_is_wider(result),
        )  # fmt: skip

    def alternatives_lines(self, result: ResultValue) -> list[str]:
        """The same result by other methods."""
        whole, formed, lines = result.budget.value, set(), []
        for other in result.alternatives:
            its = self.unit_of(other.key)
            value = beside(its.from_si(other.value), result.stated_uncertainty / its.factor, 1)
            change = percentage(other.value / (whole or 1.0) - 1.0, signed=True)
            formed.add(other.key)
            lines.append(self._said(
                "alternative", title=other.title, symbol=other.symbol, value=value,
                unit=its.pretty, changed=bool(whole), change=change,
            ))  # fmt: skip
        return lines + [
            self._said("alternative-missing", title=self.practical.derived[key].title)
            for key in result.definition.alternatives
            if key not in formed
        ]

    def scatter_line(self, line: LineResult) -> str:
        """Intercept of a line and the scatter about it."""
        its, fit, kind = self.practical.field(line.field.y[0]).unit, line.fit, line.field.kind
        through, intercept = "origin", ""
        if kind != "origin":
            through = "several" if len(fit.intercepts) > 1 else "one"
            size = its.from_si(fit.intercept), fit.u_intercept / its.factor
            intercept = stated(*size, its.pretty)
        return self._said(
            "about-the-line", through=through, intercept=intercept,
            spread=_size(fit.residual_deviation, its, 3), unit=its.pretty,
            known=kind in ("weighted", "both_errors"), chi=significant(fit.chi_squared, 3),
            dof=fit.dof,
        )  # fmt: skip

    def study_lines(self, study: LineStudy) -> list[str]:
        """What the tests of a line say."""
        line, corners = study.line, study.triangle
        y = self.practical.field(line.field.y[0]).unit
        lines = [
            self._tested(test, name)
            for name, test in (("curvature", study.curvature), ("repeats", study.lack_of_fit))
            if test is not None
        ]
        if study.passes is not None and study.passes[1] > 0.0:
            difference, u = study.passes
            first, second = line.field.labels[:2]
            ratio = abs(difference) / u
            lines.append(self._said(
                "slopes-of-ways", first=first, second=second, ratio=significant(ratio, 2),
                agree=ratio <= 2.0,
            ))  # fmt: skip
        if study.half_bar and study.extremes is None and not line.field.definition.through_origin:
            bar = _size(study.half_bar, y)
            lines.append(self._said("no-line-in-bars", bar=bar, unit=y.pretty))
        if corners is not None:
            one, other = (
                phrase("corner", distance=_size(abs(d), y), unit=y.pretty,
                       side="above" if d > 0 else "below")
                for d in corners.distances
            )  # fmt: skip
            span = percentage(corners.span)
            lines.append(self._said("triangle-corners", first=one, second=other, span=span))
        return lines

    def _tested(self, test: TestResult, name: str) -> str:
        infinite = math.isinf(test.statistic)
        return self._said(
            "line-tested", test=name, far=test.probability < SIGNIFICANT, infinite=infinite,
            size="" if infinite else significant(test.statistic, 3),
            chance=percentage(test.probability),
        )  # fmt: skip

    def left_out_lines(self, assessment: Assessment) -> list[str]:
        """Rows that a person left out, why, and the first result with every row."""
        evaluation = assessment.evaluation
        if not evaluation.left_out:
            return []
        titles = {table.id: table.title for table in assessment.practical.definition.tables}
        lines = [
            self._said(
                "left-out-by-hand", row=one.row + 1, title=titles[one.table], reason=one.reason
            )
            for one in evaluation.left_out
        ]
        whole, kept = evaluation.with_every_row[0], evaluation.measurand
        if whole is None:
            return [*lines, self._said("every-row-none")]
        value = 0.0 if kept is None else kept.budget.value
        change = percentage(whole.budget.value / (value or 1.0) - 1.0, signed=True)
        statement = self.statement_line(whole)
        line = self._said("every-row", statement=statement, changed=bool(value), change=change)
        return [*lines, line]

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
        return [self.profile.sentence(line) for line in lines]

    def dominant_lines(self, result: ResultValue) -> list[str]:
        """Which measurement decides the uncertainty, and what would halve it."""
        if not result.parts or result.budget.standard_uncertainty == 0.0:
            return []
        row = result.budget.rows[0]
        source, advice = Decimals(row.source.label), Decimals(row.source.advice)
        largest = self._said(
            "largest-source", source=source, share=share(row.share), advised=bool(advice),
            advice=advice,
        )  # fmt: skip
        first = result.parts[0]
        if not first.share:
            return [largest]
        name = self._named(first)
        symbol = self.practical.derived[result.definition.quantity].symbol
        part = self._said(
            "part-of-variance", name=name[:1].upper() + name[1:], share=share(first.share),
            symbol=symbol,
        )  # fmt: skip
        factor = shrink_to_halve(first.share)
        if factor is not None:
            halved = self._said("to-halve", symbol=symbol, factor=percentage(factor))
        else:
            second = self._named(result.parts[1]) if len(result.parts) > 1 else ""
            without = percentage((1.0 - first.share) ** 0.5)
            halved = self._said("not-halved", without=without, more=bool(second), second=second)
        return [part, halved, largest]

    def _named(self, part: Part) -> str:
        one = self.practical.field(part.key)
        return f"{one.title} {one.symbol}".strip()
