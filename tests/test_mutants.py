"""The list of faults fits the code, and a few of them, others every day, are noticed.

All of them: `python -m benchmarks.mutants` (some twelve minutes of one core).
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from dataclasses import replace

import pytest

from benchmarks import mutants
from benchmarks.mutants import Mutant, StaleError, changed_source, read_mutants
from tests.test_layers import ROOMS

ALL = read_mutants()
LEAST = 80
forks = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that are forked")


@pytest.mark.parametrize("mutant", ALL, ids=lambda m: m.file)
def test_a_fault_can_be_put_in(mutant: Mutant) -> None:
    changed_source(mutant)


def test_there_are_enough_of_them_in_every_room_and_none_twice() -> None:
    assert len(ALL) >= LEAST
    assert {mutant.file.split("/")[0] for mutant in ALL} == set(ROOMS)
    assert max(Counter((m.file, m.old, m.new) for m in ALL).values()) == 1


def test_what_no_test_notices_is_little_and_has_its_reason() -> None:
    unseen = [mutant for mutant in ALL if mutant.unseen]
    assert len(unseen) <= (1 - mutants.LEAST_NOTICED) * len(ALL)
    assert all(len(mutant.unseen) > 20 for mutant in unseen)


def test_a_stale_list_is_an_error() -> None:
    one = ALL[0]
    for odd in (
        replace(one, old="not there"),
        replace(one, old="measure"),  # more than once
        replace(one, new=one.old),
        replace(one, new="def ("),
        replace(one, tests=("tests/contract/test_contract.py::test_that_is_gone",)),
        replace(one, file="contract/gone.py"),
    ):
        with pytest.raises(StaleError):
            changed_source(odd)


def test_the_sample_changes_from_day_to_day_and_leaves_out_the_slow() -> None:
    days = [mutants.sample(ALL, mutants.QUICK, seed) for seed in range(60)]
    assert days[0] == mutants.sample(ALL, mutants.QUICK, 0)
    assert not any(m.slow or m.unseen for day in days for m in day)
    assert len({m for day in days for m in day}) > 0.7 * len(ALL)


_RUN = """
import sys
from benchmarks import mutants
harmless = mutants.Mutant("contract/reasons.py", "Why a photo", "Why any photo",
                          ("tests/contract/test_contract.py::test_unknown_is_empty_not_zero",))
assert not mutants.outcome(harmless).noticed
sys.exit(mutants.main(["--quick"]))
"""


@forks
def test_a_few_faults_are_noticed_and_a_harmless_change_is_not() -> None:
    """In a process of its own, since it forks."""
    run = subprocess.run(
        [sys.executable, "-c", _RUN],
        cwd=mutants.ROOT, capture_output=True, text=True,
        env={**os.environ, "PYTHONPATH": str(mutants.ROOT)},
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr
    assert f"{mutants.QUICK} of {mutants.QUICK} faults noticed" in run.stdout
