"""Wind in bouts: how large the noise is in each row, and answers that stay honest with it."""

from __future__ import annotations

import importlib
import itertools
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from poleward.guidelog.fitting import bouts

sys.path.insert(0, str(Path(__file__).parent.parent / "docs" / "experiments"))
nights = importlib.import_module("log_nights")
oddities = importlib.import_module("log_oddities")


def test_chances_are_those_of_all_ways_in_which_it_can_have_blown():
    """Nine rows, quiet or windy each: all 512 ways, with their chances, counted one by one."""
    density = np.random.default_rng(1).uniform(0.1, 3.0, (2, 9))
    starts, ends = (1 / rows for rows in bouts.LASTS)
    turn = np.array([[1 - starts, starts], [ends, 1 - ends]])
    ways = np.array(list(itertools.product((0, 1), repeat=9)))
    weight = np.where(ways[:, 0] == 1, starts, ends) / (starts + ends)
    weight *= np.prod(turn[ways[:, :-1], ways[:, 1:]], axis=1) * np.prod(density[ways, np.arange(9)], axis=1)
    chance, log = bouts._chances(density)
    assert chance == pytest.approx(weight @ ways / weight.sum(), abs=1e-12)
    assert log == pytest.approx(math.log(weight.sum()), abs=1e-12)


WINDY = np.arange(2000) % 200 < 40


def scattered(factor):
    """Normal noise, for 40 of each 200 rows larger, and one glitch in a hundred; suspected seven rows late."""
    off = np.random.default_rng(2).normal(size=2000) * np.where(WINDY, factor, 1.0)
    off[::100] = 15.0
    return bouts.sizes(off, np.where(np.roll(WINDY, 7), 2.2, 1.0))


def test_the_size_of_the_noise_in_each_row():
    """400 windy rows tell their size to 1 / sqrt(800) = 3.5 %; that one is windy shows in itself and a few beside it."""
    found = scattered(3.0)
    assert found.max() == pytest.approx(3.0, rel=0.1)
    inside, outside = np.arange(2000) % 200 == 20, np.arange(2000) % 200 == 120
    assert found[inside] == pytest.approx(np.full(10, found.max()), rel=0.15)
    assert found[outside] == pytest.approx(np.ones(10), abs=0.2)


def test_noise_that_is_the_same_throughout_has_no_bouts_whatever_was_suspected():
    assert np.all(scattered(1.0) == 1)


@pytest.mark.slow
def test_bouts_do_not_make_answers_too_small():
    """The four worst of 30 nights of the code that took each row at a bout's edge for one or the other, for which its pulls
    along the truth were -2.6 to -3.2 at most and -2.3 in the mean; the mean of an honest one's four worst is within 2."""
    cell = replace(oddities.STATED, rate="not stated")
    _, scatter = oddities.KINDS["wind in bouts of three times the noise"]
    found = [nights.outcome(nights.draw(cell, number, {}, scatter)) for number in (100, 101, 113, 117)]
    assert np.mean([each.along for each in found]) > -1.7
    assert np.max(np.abs([each.pull for each in found])) < 2.6
