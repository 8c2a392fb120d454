"""Contributions of volunteers: checked row by row, pooled with a spread between people."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.errors import StudyError
from chargebench.study.volunteers import Contribution, TooFew, contribution, pooled, read_contributions

GOOD = {"grinder": "Mill Lane hand", "bottleneck": "no", "dry_s": "28", "misted_s": "38,5"}


def test_a_contribution_is_read() -> None:
    """Four cells make a contribution; a decimal comma is a decimal mark."""
    assert contribution(GOOD) == Contribution("", "Mill Lane hand", "no", 28.0, 38.5)


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("grinder", ""),
        ("grinder", "x" * 101),
        ("bottleneck", "maybe"),
        ("dry_s", "0"),
        ("dry_s", "nan"),
        ("dry_s", "1e3"),
        ("misted_s", "28 s"),
        ("misted_s", "5000"),
        ("misted_s", "２８"),
    ],
)
def test_a_bad_cell_is_named(column: str, cell: str) -> None:
    """The error names the column, and one bad row does not stop the others."""
    with pytest.raises(StudyError, match=f"column {column}"):
        contribution({**GOOD, column: cell})
    good, bad = read_contributions([(2, GOOD), (3, {**GOOD, column: cell}), (4, GOOD)])
    assert len(good) == 2
    assert len(bad) == 1
    assert bad[0].startswith("line 3: ")


@given(st.dictionaries(st.sampled_from(["grinder", "bottleneck", "dry_s", "misted_s", "other"]), st.text()))
def test_any_cells_are_read_or_named(cells: dict[str, str]) -> None:
    """Whatever is typed is either a contribution or a clear error."""
    good, bad = read_contributions([(7, cells)])
    assert len(good) + len(bad) == 1


def _people(ratios: list[list[float]]) -> list[Contribution]:
    return [
        Contribution(f"p{n}", "g", "yes" if n % 2 else "no", 28.0, 28.0 * ratio)
        for n, own in enumerate(ratios)
        for ratio in own
    ]


def test_spread_between_people_widens_the_interval() -> None:
    """Precise people who disagree give a wide interval: the spread between them counts, not the number of pairs."""
    agree = pooled(_people([[1.29, 1.31], [1.30, 1.32], [1.28, 1.30], [1.29, 1.31]]))["all"]
    differ = pooled(_people([[0.99, 1.01], [1.60, 1.62], [1.19, 1.21], [1.39, 1.41]]))["all"]
    assert agree.ci95[0] < 1.3 < agree.ci95[1]
    assert differ.tau > 10 * agree.tau
    assert math.log(differ.ci95[1] / differ.ci95[0]) > 5 * math.log(agree.ci95[1] / agree.ci95[0])


def test_single_pairs_pool_as_a_plain_mean() -> None:
    """Where nobody repeated, the interval is Student's for the mean log ratio."""
    found = pooled(_people([[1.1], [1.2], [1.3]]))["all"]
    logs = [math.log(r) for r in (1.1, 1.2, 1.3)]
    mean = sum(logs) / 3
    spread = math.sqrt(sum((v - mean) ** 2 for v in logs) / 2)
    assert found.ratio == pytest.approx(math.exp(mean))
    assert found.ci95[0] == pytest.approx(math.exp(mean - 4.302653 * spread / math.sqrt(3)), rel=1e-6)


def test_too_few_people_are_not_pooled() -> None:
    """Below three contributors there is a reason instead of a number; answers are pooled apart."""
    found = pooled(_people([[1.1], [1.2], [1.3]]))
    assert found["yes"] == TooFew(1, "three contributors at least are needed to pool")
    assert found["no"].contributors == 2
