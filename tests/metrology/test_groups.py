"""Consensus, outliers and precision against published tables and certified values."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import published
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sheetlab.metrology.agreement import e_n, zeta
from sheetlab.metrology.curve import fit_polynomial
from sheetlab.metrology.groups import (
    cochran_limit,
    cochran_statistic,
    grubbs_limit,
    grubbs_statistic,
    pairwise_deviation,
    precision,
    robust_mean,
    weighted_mean,
)
from sheetlab.metrology.repeats import repeats

CASES = "outliers_and_interlab.json"
GROUPS = st.lists(
    st.lists(st.floats(-100.0, 100.0), min_size=2, max_size=5), min_size=2, max_size=5
)


def _grouped(name: str, key: str, value: str) -> list[list[float]]:
    groups: dict[str, list[float]] = {}
    for row in published.rows(name):
        groups.setdefault(row[key], []).append(float(row[value]))
    return list(groups.values())


class TestKeyComparison:
    """CCQM-K30, lead in wine: final report, Metrologia 45 (2008) 08001."""

    KEY = CASES, "birge_and_En_ccqm_k30"
    ROWS = published.rows("ccqm_k30_lead.csv")

    def test_consensus(self) -> None:
        used = [row for row in self.ROWS if row["included_in_reference"] == "True"]
        found = weighted_mean(*([float(r[k]) for r in used] for k in ("value_mg_kg", "u_mg_kg")))
        computed = {
            "n included": found.dof + 1,
            "weighted mean": found.value,
            "u weighted mean": found.internal,
            "chi2": found.chi_squared,
            "Birge ratio": found.birge_ratio,
        }
        wanted = published.expected(*self.KEY)
        for what, value, tolerance in wanted:
            if what in computed:
                assert computed.pop(what) == pytest.approx(value, abs=tolerance, rel=0.0), what
        assert not computed
        assert found.external == pytest.approx(found.internal * found.birge_ratio, rel=1e-15)

    def test_each_result_against_the_reference_value(self) -> None:
        wanted = {what: (value, within) for what, value, within in published.expected(*self.KEY)}
        reference, spread = (
            wanted[what][0] for what in ("key comparison reference value", "U of reference value")
        )
        for row in self.ROWS:
            x, u, expanded = (float(row[k]) for k in ("value_mg_kg", "u_mg_kg", "U_mg_kg"))
            value, within = wanted[f"E_n {row['lab']}"]
            assert e_n(x, expanded, reference, spread) == pytest.approx(value, abs=within, rel=0.0)
            # the zeta score is the same with standard uncertainties: with k = 2 twice E_n
            if row["k"] == "2.0":
                assert zeta(x, u, reference, spread / 2.0) == pytest.approx(
                    2.0 * value, abs=2.0 * within, rel=0.0
                )


class TestZeta:
    @pytest.mark.parametrize(
        ("value", "u", "accepted", "accepted_u", "found"),
        [(10.5, 0.3, 10.0, 0.4, 1.0), (9.0, 0.5, 10.0, 0.0, -2.0), (10.0, 0.0, 10.3, 0.1, -3.0)],
    )
    def test_by_hand(
        self, value: float, u: float, accepted: float, accepted_u: float, found: float
    ) -> None:
        # ISO 13528, formula from memory: 0.3 and 0.4 combine to 0.5
        assert zeta(value, u, accepted, accepted_u) == pytest.approx(found, rel=1e-12)

    def test_needs_an_uncertainty(self) -> None:
        with pytest.raises(ValueError, match="uncertainty"):
            zeta(1.0, 0.0, 2.0, 0.0)


class TestWeightedMean:
    def test_by_hand(self) -> None:
        # weights 1 and 4: (10 + 4 × 12) / 5, u = 1 / √5, χ² = 1.6² + 4 × 0.4²
        found = weighted_mean([10.0, 12.0], [1.0, 0.5])
        assert found.value == pytest.approx(11.6, rel=1e-15)
        assert found.internal == pytest.approx(5.0**-0.5, rel=1e-15)
        assert found.chi_squared == pytest.approx(3.2, rel=1e-14)
        assert found.birge_ratio == pytest.approx(3.2**0.5, rel=1e-14)
        assert found.external == pytest.approx(0.8, rel=1e-14)
        assert found.dof == 1

    @given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(0.1, 10.0)), min_size=2, max_size=9))
    def test_is_a_polynomial_of_degree_zero(self, pairs: list[tuple[float, float]]) -> None:
        values, spreads = (list(column) for column in zip(*pairs, strict=True))
        fit = fit_polynomial(range(len(values)), values, 0, spreads)
        found = weighted_mean(values, spreads)
        assert found.value == pytest.approx(fit.parameters[0], rel=1e-12, abs=1e-10)
        assert found.internal == pytest.approx(fit.uncertainties[0], rel=1e-12)
        assert found.chi_squared == pytest.approx(fit.chi_squared, rel=1e-9, abs=1e-10)

    def test_equal_uncertainties_give_the_plain_mean(self) -> None:
        values = [9.81, 9.79, 9.86, 9.80]
        found, plain = weighted_mean(values, [0.02] * 4), repeats(values)
        assert found.value == pytest.approx(plain.mean, rel=1e-15)
        assert found.internal == pytest.approx(0.01, rel=1e-14)
        assert found.external == pytest.approx(plain.uncertainty, rel=1e-12)

    def test_chi_squared_as_the_table_has_it(self) -> None:
        # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4: 7.815 is the upper critical
        # value at 5 % for 3 degrees of freedom (from memory)
        half = (7.815 / 4.0) ** 0.5
        found = weighted_mean([-half, half, -half, half], [1.0] * 4)
        assert found.probability == pytest.approx(0.05, abs=5e-5)

    def test_one_result(self) -> None:
        found = weighted_mean([3.0], [0.2])
        assert found.probability == 1.0
        assert (found.value, found.birge_ratio, found.dof) == (3.0, 1.0, 0)
        assert found.external == found.internal == pytest.approx(0.2, rel=1e-15)

    @pytest.mark.parametrize(
        ("values", "spreads"),
        [([], []), ([1.0, 2.0], [0.1, 0.0]), ([1.0], [-0.1]), ([1.0, 2.0], [0.1])],
    )
    def test_refused(self, values: list[float], spreads: list[float]) -> None:
        with pytest.raises(ValueError):
            weighted_mean(values, spreads)


class TestRobustMean:
    def test_a_class_of_four_with_one_far_off(self) -> None:
        # four groups of an invented class; Algorithm A of ISO 13528 gives 93.3
        found = robust_mean([108.4, 106.6, 49.7, 108.4])
        assert found.value == pytest.approx(107.5, rel=1e-15)
        # third smallest of 0, 1.8, 1.8, 56.9, 58.7, 58.7; factor of four values
        assert found.deviation == pytest.approx(2.219144 * 0.51321 * 1.8, rel=1e-12)
        assert found.uncertainty == pytest.approx(1.25 * found.deviation / 2.0, rel=1e-14)

    @given(
        st.lists(st.floats(-100.0, 100.0), min_size=2, max_size=9),
        st.floats(1e3, 1e9),
        st.sampled_from([-1.0, 1.0]),
    )
    def test_one_value_far_off_leaves_the_middle_within_the_others(
        self, others: list[float], far: float, side: float
    ) -> None:
        found = robust_mean([*others, side * far])
        assert min(others) <= found.value <= max(others)
        # nor does it make the scatter wider than the others are, by more than the factor of three
        assert found.deviation <= 2.3 * (max(others) - min(others))
        # how far out it is does not matter
        assert found == robust_mean([*others, 2.0 * side * far])

    def test_creosote(self) -> None:
        # ISO 5725-5:1998, creosote example (cell means): data fetched, figures recomputed
        found = robust_mean(published.case(CASES, "median_and_Qn_creosote")["data"])
        computed = {"median": found.value, "Qn": found.deviation}
        for what, value, tolerance in published.expected(CASES, "median_and_Qn_creosote"):
            assert computed[what] == pytest.approx(value, abs=tolerance, rel=0.0), what

    def test_constants_in_closed_form(self) -> None:
        # 1/(√2 Φ⁻¹(5/8)); two normal values differ by 2 σ/√π on average
        assert pairwise_deviation([0.0, 2.0 / math.sqrt(math.pi)]) == pytest.approx(1.0, rel=1e-5)
        constant = 1.0 / (math.sqrt(2.0) * stats.norm.ppf(0.625))
        assert pairwise_deviation([0.0, 1.0]) / 0.399356 == pytest.approx(constant, rel=1e-6)

    @pytest.mark.parametrize("n", [3, 4, 5, 6, 7, 8, 9, 12, 13, 20])
    def test_scatter_of_normal_values_is_right_on_average(self, n: int) -> None:
        # an implementation of its own over arrays: 20 000 classes, four standard errors
        rows = np.random.default_rng(n).standard_normal((20_000, n))
        first, second = np.triu_indices(n, 1)
        gaps = np.sort(np.abs(rows[:, first] - rows[:, second]), axis=1)
        half = n // 2 + 1
        raw = gaps[:, half * (half - 1) // 2 - 1]
        factor = pairwise_deviation(rows[0].tolist()) / float(raw[0])
        assert pairwise_deviation(rows[1].tolist()) == pytest.approx(factor * float(raw[1]))
        error = factor * float(raw.std()) / math.sqrt(len(raw))
        assert factor * float(raw.mean()) == pytest.approx(1.0, abs=4.0 * error + 1e-3)

    @pytest.mark.parametrize("n", [3, 4, 5, 8, 15])
    def test_uncertainty_is_that_of_the_median(self, n: int) -> None:
        medians = np.median(np.random.default_rng(n).standard_normal((40_000, n)), axis=1)
        # 1.25/√n is the limit for many results, and up to 15 % too large for few
        assert 1.0 - 0.02 <= 1.25 / math.sqrt(n) / float(medians.std()) <= 1.16

    def test_equal_results(self) -> None:
        found = robust_mean([2.5, 2.5, 2.5])
        assert (found.value, found.deviation, found.uncertainty) == (2.5, 0.0, 0.0)
        assert robust_mean([2.5, 2.5, 2.5, 2.5, 2.9]) == found
        with pytest.raises(ValueError, match="two"):
            robust_mean([1.0])


class TestGrubbs:
    @pytest.mark.parametrize(
        ("column", "significance"),
        [
            ("one_sided_5pc", 0.10),
            ("one_sided_2.5pc", 0.05),
            ("one_sided_1pc", 0.02),
            ("one_sided_0.5pc", 0.01),
        ],
    )
    def test_limits_to_six_decimals(self, column: str, significance: float) -> None:
        # ASTM E178: one-sided levels; the two-sided test at twice the level has the same limit
        for row in published.rows("grubbs.csv"):
            found = grubbs_limit(int(row["n"]), significance)
            assert f"{found:.6f}" == row[column], row["n"]

    @pytest.mark.parametrize(
        ("column", "significance"), [("iso5725_table5_5pc", 0.05), ("iso5725_table5_1pc", 0.01)]
    )
    def test_limits_of_the_standard(self, column: str, significance: float) -> None:
        # ISO 5725-2:1994, Table 5 (from memory), which puts half of the level on each side
        rows = [row for row in published.rows("grubbs.csv") if row[column]]
        assert len(rows) == 16
        for row in rows:
            found = grubbs_limit(int(row["n"]), significance)
            assert found == pytest.approx(float(row[column]), abs=0.001), row["n"]

    def test_limit_of_three(self) -> None:
        # no value of three can be more than 2 / √3 standard deviations away
        assert grubbs_limit(3, 1e-9) == pytest.approx(2.0 / math.sqrt(3.0), rel=1e-12)
        with pytest.raises(ValueError, match="three"):
            grubbs_limit(2)

    @pytest.mark.parametrize("n", [4, 8])
    def test_false_alarms_are_as_many_as_stated(self, n: int) -> None:
        trials = 40_000
        rows = np.random.default_rng(n).standard_normal((trials, n))
        apart = np.abs(rows - rows.mean(axis=1, keepdims=True)).max(axis=1)
        farthest = apart / rows.std(axis=1, ddof=1)
        for row, wanted in zip(rows[:20].tolist(), farthest, strict=False):
            assert grubbs_statistic(row)[0] == pytest.approx(float(wanted))
        alarms = int(np.sum(farthest > grubbs_limit(n)))
        assert alarms / trials == pytest.approx(0.05, abs=4.0 * math.sqrt(0.05 * 0.95 / trials))

    def test_statistic_by_hand(self) -> None:
        # mean 3, s² = (4 + 1 + 0 + 1 + 4) / 4 = 2.5
        g, far = grubbs_statistic([1.0, 2.0, 3.0, 4.0, 5.0])
        assert (g, far) == (pytest.approx(2.0 / math.sqrt(2.5), rel=1e-14), 0)
        assert grubbs_statistic([1.0, 1.1, 0.9, 7.0])[1] == 3
        assert grubbs_statistic([1.0, 1.1, 0.9, -7.0])[1] == 3
        assert grubbs_statistic([2.0, 2.0, 2.0]) == (0.0, 0)
        with pytest.raises(ValueError, match="three"):
            grubbs_statistic([1.0, 2.0])

    @given(st.lists(st.integers(-9999, 9999), min_size=3, max_size=10, unique=True))
    def test_statistic_is_bounded(self, hundredths: list[int]) -> None:
        values = [v / 100.0 for v in hundredths]
        n = len(values)
        g, far = grubbs_statistic(values)
        # the greatest of n distances is at least their root mean square and at most this
        assert math.sqrt((n - 1) / n) * (1.0 - 1e-9) <= g <= (n - 1) / math.sqrt(n) * (1.0 + 1e-9)
        distances = [abs(v - math.fsum(values) / n) for v in values]
        assert distances[far] == pytest.approx(max(distances), rel=1e-12)


class TestCochran:
    @pytest.mark.parametrize(("column", "significance"), [("C_5pc", 0.05), ("C_1pc", 0.01)])
    def test_limits_to_five_decimals(self, column: str, significance: float) -> None:
        rows = published.rows("cochran.csv")
        assert len(rows) > 100
        for row in rows:
            found = cochran_limit(int(row["p_labs"]), int(row["n_replicates"]), significance)
            assert found == pytest.approx(float(row[column]), abs=5.1e-6), row

    @pytest.mark.parametrize(
        ("column", "significance"), [("published_5pc", 0.05), ("published_1pc", 0.01)]
    )
    def test_limits_of_the_standard(self, column: str, significance: float) -> None:
        # ISO 5725-2:1994, Table 4 (from memory)
        rows = [row for row in published.rows("cochran.csv") if row[column]]
        assert len(rows) >= 5
        for row in rows:
            found = cochran_limit(int(row["p_labs"]), int(row["n_replicates"]), significance)
            assert found == pytest.approx(float(row[column]), abs=0.001), row

    @pytest.mark.parametrize(("p", "n", "level"), [(2, 3, 0.05), (7, 3, 0.01), (4, 3, 0.2)])
    def test_limit_in_closed_form(self, p: int, n: int, level: float) -> None:
        # three repeats: numerator with 2 dof, whose tail is (1 + 2 F / ν)^(-ν / 2), ν = 2 (p - 1);
        # with C = F / (F + p - 1) that is (1 - C)^(p - 1)
        assert cochran_limit(p, n, level) == pytest.approx(
            1.0 - (level / p) ** (1.0 / (p - 1)), rel=1e-12
        )

    def test_statistic(self) -> None:
        assert cochran_statistic([1.0, 2.0, 5.0]) == 0.625
        assert cochran_statistic([0.0, 0.0]) == 0.0
        for p, n in ((1, 3), (3, 1)):
            with pytest.raises(ValueError, match="two"):
                cochran_limit(p, n)


class TestPrecision:
    @pytest.mark.parametrize(
        ("key", "digits_f", "digits_s"),
        [
            ("SiRstv", 12, 12),
            ("SmLs01", 14, 14),
            ("SmLs02", 14, 14),
            # readings of 10⁶ + 0.4 are wrong by 10⁻¹⁰ before any arithmetic
            ("SmLs04", 9, 10),
            ("SmLs05", 9, 10),
        ],
    )
    def test_nist_analysis_of_variance(self, key: str, digits_f: int, digits_s: int) -> None:
        # NIST StRD, one-way analysis of variance
        one = published.case("nist_strd/nist_strd_anova.json", key)
        certified = one["certified"]
        groups = _grouped(one["data_file"], "group", "y")
        assert (len(groups), sum(map(len, groups))) == (one["groups"], one["n"])
        found = precision(groups)
        assert found.f_ratio == pytest.approx(float(certified["F"]), rel=10.0**-digits_f)
        assert found.repeatability == pytest.approx(
            float(certified["residual_sd"]), rel=10.0**-digits_s
        )
        assert found.within_dof == certified["within_df"]
        assert found.between_dof == certified["between_df"]
        # what the rest follows from: s_L² = (MS_between - MS_within) / n for equal groups
        between, within = (float(certified[f"{k}_ms"]) for k in ("between", "within"))
        square = max(0.0, (between - within) / len(groups[0]))
        assert found.between == pytest.approx(math.sqrt(square), rel=1e-8)
        assert found.reproducibility == pytest.approx(math.sqrt(square + within), rel=1e-8)

    @pytest.mark.parametrize("material", "ABCDE")
    def test_glucose(self, material: str) -> None:
        # ASTM E691 (1999), glucose in serum: data fetched, published statistics of A, D, E from
        # memory; B and C hold flagged cells before correction, so theirs are recomputed only
        rows = [r for r in published.rows("astm_e691_glucose.csv") if r["material"] == material]
        cells: dict[str, list[float]] = {}
        for row in rows:
            cells.setdefault(row["laboratory"], []).append(float(row["value"]))
        each = [repeats(cell) for cell in cells.values()]
        found = precision(list(cells.values()))
        computed = {
            "mean": found.mean,
            "s of cell averages": repeats([one.mean for one in each]).deviation,
            "s_r": found.repeatability,
            "s_R": found.reproducibility,
            "Cochran C": cochran_statistic([one.deviation**2 for one in each]),
        }
        levels = published.case(CASES, "astm_e691_glucose")["levels"]
        expected = next(level["expected"] for level in levels if level["material"] == material)
        for one in expected:
            # Mandel's h and k are not computed
            if not one["name"].startswith("largest"):
                assert computed[one["name"]] == pytest.approx(
                    one["value"], abs=one["tolerance"], rel=0.0
                ), one["name"]
        assert {one["name"] for one in expected} >= computed.keys()
        assert (found.within_dof, found.between_dof) == (16, 7)

    def test_cochran_finds_the_flagged_cells(self) -> None:
        # of the five materials C and E have a cell whose variance is beyond the 5 % limit of
        # 8 laboratories and 3 replicates (0.516 from memory)
        flagged = set()
        for material in "ABCDE":
            cells: dict[str, list[float]] = {}
            for row in published.rows("astm_e691_glucose.csv"):
                if row["material"] == material:
                    cells.setdefault(row["laboratory"], []).append(float(row["value"]))
            variances = [repeats(cell).deviation ** 2 for cell in cells.values()]
            if cochran_statistic(variances) > cochran_limit(8, 3):
                flagged.add(material)
        assert flagged == {"C", "E"}

    @given(GROUPS)
    def test_agrees_with_a_general_library(self, groups: list[list[float]]) -> None:
        found = precision(groups)
        if found.repeatability > 1e-3:
            theirs = stats.f_oneway(*groups)
            assert found.f_ratio == pytest.approx(float(theirs.statistic), rel=1e-6, abs=1e-9)
        values = [v for group in groups for v in group]
        # the two sums of squares add up to the whole
        whole = math.fsum((v - found.mean) ** 2 for v in values)
        s_r2 = found.repeatability**2
        parts = found.within_dof * s_r2
        if s_r2 > 0.0:
            parts += found.between_dof * found.f_ratio * s_r2
            assert parts == pytest.approx(whole, rel=1e-9, abs=1e-9)
        assert found.reproducibility >= found.repeatability
        assert found.reproducibility == pytest.approx(
            math.hypot(found.between, found.repeatability), rel=1e-12
        )

    def test_by_hand(self) -> None:
        # groups of 2 and 4 with means 1 and 4, within sum 0.5 + 2 = 2.5 (4 dof); grand mean 3,
        # between 2 × 4 + 4 × 1 = 12 (1 dof); effective size 6 - 20 / 6 = 8 / 3
        found = precision([[0.5, 1.5], [], [3.0, 4.0, 4.0, 5.0]])
        assert found.mean == 3.0
        assert found.repeatability == pytest.approx(math.sqrt(0.625), rel=1e-14)
        assert found.f_ratio == pytest.approx(12.0 / 0.625, rel=1e-14)
        assert found.between == pytest.approx(math.sqrt((12.0 - 0.625) * 3.0 / 8.0), rel=1e-14)
        assert (found.within_dof, found.between_dof) == (4, 1)

    def test_groups_closer_than_their_scatter(self) -> None:
        found = precision([[1.0, 3.0], [1.1, 2.9]])
        assert found.between == 0.0
        assert found.reproducibility == found.repeatability

    def test_no_scatter_within(self) -> None:
        found = precision([[1.0, 1.0], [2.0, 2.0]])
        assert (found.repeatability, found.f_ratio) == (0.0, math.inf)

    @pytest.mark.parametrize("groups", [[], [[1.0, 2.0]], [[1.0], [2.0]], [[1.0, 2.0], []]])
    def test_refused(self, groups: Sequence[Sequence[float]]) -> None:
        with pytest.raises(ValueError, match="groups"):
            precision(groups)
