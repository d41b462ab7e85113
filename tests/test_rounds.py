"""What knobs do: exact rotation of a tilted base, play, and a response learned from rounds."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from poleward import InputError
from poleward.rounds.advice import advise
from poleward.rounds.prior import Prior, prior_of
from poleward.rounds.response import Response, Step, learn
from poleward.rounds.turns import approach, read_turned
from poleward.simulate.mount import pushed
from poleward.sky.axis import azimuth_altitude, unit_vector
from poleward.solving.base import Base, after_knobs, cross_talk

ARCSEC = math.radians(1 / 3600)
TIGHT = np.eye(2) * 0.05**2
"""Of errors measured to 3 arcsec: the learning shows, not the noise."""


@pytest.mark.parametrize("latitude", [47.0, -33.0, 5.0])
@pytest.mark.parametrize(("tilt", "toward"), [(0.0, 0.0), (2.0, 90.0), (2.0, 200.0), (7.0, 310.0)])
def test_a_tilted_base_by_rotation(latitude: float, tilt: float, toward: float) -> None:
    """The same two turns by scipy's Rotation, about axes made from the tilt itself; 1 arcsec is what is promised."""
    hemisphere = math.copysign(1, latitude)
    axis = unit_vector(0.0 if latitude > 0 else math.pi, math.radians(abs(latitude)))
    by_azimuth, by_altitude = math.radians(1.3), math.radians(-0.8)
    # Lean the zenith toward the lowest side: a turn about the horizontal direction to its left.
    lean = Rotation.from_rotvec(
        math.radians(tilt) * np.array([-math.cos(math.radians(toward)), math.sin(math.radians(toward)), 0.0])
    )
    upright = lean.apply([0.0, 0.0, 1.0])
    level = np.cross(axis, upright)
    turned = Rotation.from_rotvec(by_altitude * level / np.linalg.norm(level)).apply(axis)
    turned = Rotation.from_rotvec(-hemisphere * by_azimuth * upright).apply(turned)
    found = after_knobs(
        axis, Base(math.radians(tilt), math.radians(toward)), by_azimuth, by_altitude, hemisphere
    )
    assert np.degrees(np.linalg.norm(found - turned)) * 3600 < 1e-3


def test_which_way_cross_talk_goes() -> None:
    """A base low in the east lowers an axis that is turned east, and raising it takes it east."""
    slopes = cross_talk(unit_vector(0.0, math.radians(47)), Base(math.radians(2), math.radians(90)), 1.0)
    assert slopes[1, 0] == pytest.approx(
        -math.sin(math.radians(2)), abs=1e-6
    )  # exact: the altitude of a cone
    assert slopes[0, 1] > 0
    assert cross_talk(unit_vector(0.0, 0.8), Base(), 1.0) == pytest.approx(np.eye(2), abs=1e-8)


def test_a_level_base_moves_each_error_alone() -> None:
    azimuth, altitude = azimuth_altitude(after_knobs(unit_vector(math.pi, 0.6), Base(), 0.02, 0.01, -1.0))
    assert float(altitude) == pytest.approx(0.61, abs=ARCSEC)
    assert -(float(azimuth) % (2 * math.pi) - math.pi) == pytest.approx(0.02, abs=ARCSEC)


@pytest.mark.parametrize(
    ("text", "azimuth", "altitude"),
    [
        ("azimuth=0.25 clockwise, altitude=0", (0.25,), ()),
        ("azimuth=0, altitude=1.1 turns counter-clockwise then 0.2 clockwise", (), (-1.1, 0.2)),
        ("azimuth=90deg clockwise, altitude=none", (0.25,), ()),
        ("none", (), ()),
        ("azimuth 1.14 clockwise altitude 0", (1.14,), ()),
        ("az 1/4 cw, alt 0.5 ccw", (0.25,), (-0.5,)),
        ("Azimuth=1,25 clockwise, Altitude=0,5 counterclockwise", (1.25,), (-0.5,)),
        ("azimuth = 90\N{DEGREE SIGN} clockwise and altitude: 2 turns counter clockwise", (0.25,), (-2.0,)),
        ("azimuth=1 anticlockwise, then 0.2 clockwise, altitude=not turned", (-1.0, 0.2), ()),
        ("as advised", (-0.7, 0.2), (0.3,)),
        ("azimuth=as advised, altitude=0", (-0.7, 0.2), ()),
    ],
)
def test_turns_as_written(text: str, azimuth: tuple[float, ...], altitude: tuple[float, ...]) -> None:
    advised = {"azimuth": (-0.7, 0.2), "altitude": (0.3,)}
    assert read_turned(text, advised=advised) == {"azimuth": azimuth, "altitude": altitude}


def test_of_a_knob_that_is_not_named_nothing_is_said() -> None:
    assert read_turned("azimuth=1.1 clockwise") == {"azimuth": (1.1,)}


def test_a_bare_sign_is_no_way() -> None:
    with pytest.raises(InputError) as raised:
        read_turned("azimuth=-1.25, altitude=0")
    assert "a sign does not say which way" in raised.value.hint


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("azimut=1 clockwise", "--turned: unknown knob 'azimut'\n"),
        ("azimuth=0.25", "--turned: azimuth: '0.25' is no turn of a knob\n"),
        ("azimuth=0.25 right", "--turned: azimuth: '0.25 right' is no turn of a knob\n"),
        ("azimuth=250 clockwise", "--turned: azimuth: 250 turns, allowed is up to 100\n"),
        ("azimuth=1 clockwise, azimuth=0", "--turned: azimuth is given twice\n"),
        ("", "--turned: unknown knob ''\n"),
        ("as advised", "--turned: no turn of the azimuth knob was advised\n"),
        ("azimuth=1/0 clockwise", "--turned: azimuth: '1/0 clockwise' is no turn of a knob\n"),
    ],
)
def test_turns_that_are_none(text: str, line: str) -> None:
    with pytest.raises(InputError) as raised:
        read_turned(text)
    assert f"{raised.value.args[0]}\n" == line
    assert raised.value.hint


def played(strokes: Sequence[float], play: float, place: float) -> tuple[float, float]:
    """Return the turns that moved the mount, and where in its gap the screw stands in the end."""
    moved = 0.0
    for stroke in strokes:
        turns, place = pushed(stroke, play, place)
        moved += turns
    return moved, place


def test_play_step_by_step() -> None:
    """Against a screw moved by thousandths of a turn that pushes only at the ends of its gap."""
    rng = np.random.default_rng(7)
    for _ in range(50):
        play, place = rng.uniform(0.02, 0.5), rng.random()
        strokes = np.round(rng.uniform(-1, 1, 4), 3)
        screw, mount = place * play, 0.0
        for stroke in strokes:
            for _ in range(round(abs(stroke) * 1000)):
                screw += math.copysign(0.001, stroke)
                if screw > play:
                    mount, screw = mount + screw - play, play
                elif screw < 0:
                    mount, screw = mount + screw, 0.0
        turns, at = played(strokes, play, place)
        assert turns == pytest.approx(mount, abs=1e-9)
        assert at * play == pytest.approx(screw, abs=1e-9)


@pytest.mark.parametrize("net", [0.5, -0.5, 0.03, -0.03])
@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize("place", [0.0, 0.3, 1.0])
def test_an_approach_moves_what_was_wanted_and_ends_as_said(net: float, way: float, place: float) -> None:
    play = 0.1
    end = 1.0 if way > 0 else 0.0
    strokes = approach(net, way, play * (end - place), 0.2)
    turns, at = played(strokes, play, place)
    assert turns == pytest.approx(net, abs=1e-12)
    assert at == pytest.approx(end, abs=1e-12)
    assert strokes[-1] * way > 0


def stated(azimuth: float | None = 38.0, altitude: float | None = 25.0) -> Prior:
    return prior_of([azimuth, altitude], [None, None], [None, None], np.eye(2), False, math.cos(0.8))


def walked(slopes: np.ndarray, turns: list[tuple[float, float]], prior: Prior) -> Response:
    """Learn from rounds whose turns all end clockwise, of a mount without play."""
    errors = np.cumsum([[60.0, -40.0], *(slopes @ np.array(t) for t in turns)], axis=0)
    steps = [Step(tuple((t,) if t else () for t in pair)) for pair in turns]  # type: ignore[arg-type]
    return learn(prior, errors, np.array([TIGHT] * len(errors)), steps)


def test_pitch_cross_talk_and_way_are_learned() -> None:
    """Turned by 2 and 3 turns, read to 0.014: the angle per turn is known to 1 %; 1.5 arcmin is three of that."""
    truth = np.array([[44.0, 1.9], [-1.5, -25.0]])
    prior = stated()
    found = walked(truth, [(2.0, 0.0), (0.0, 3.0)], prior)
    assert found.slopes == pytest.approx(truth, abs=1.5)
    assert np.all(np.abs(found.slopes - truth) < 2 * found.slopes_sigma)
    right, reversed_ = found.as_stated
    assert right is not None
    assert reversed_ is not None
    assert right > 0.999
    assert reversed_ < 0.001
    assert found.unclear == (False, False)
    assert not found.unexplained


def test_a_knob_without_data_is_learned() -> None:
    found = walked(np.array([[-44.0, 0.0], [0.0, 25.0]]), [(2.0, 0.0)], stated(azimuth=None))
    assert found.slopes[0, 0] == pytest.approx(-44.0, abs=2.5)  # the play, not known, costs 0.1 of 2 turns


def test_a_slip_of_the_pen_teaches_nothing() -> None:
    """2.5 turns noted for 0.25: that step is set aside, and the knob keeps what the others tell."""
    truth = np.diag([38.0, 25.0])
    errors = np.cumsum([[60.0, -40.0], truth @ [-1.0, 1.0], truth @ [-0.25, 0.0], truth @ [0.2, 0.3]], axis=0)
    steps = [Step(((-1.0,), (1.0,))), Step(((-2.5,), ())), Step(((0.2,), (0.3,)))]
    found = learn(stated(), errors, np.array([TIGHT] * 4), steps)
    assert found.unexplained == (1,)
    assert found.slopes == pytest.approx(truth, abs=4.0)


def test_nothing_is_advised_of_a_knob_nobody_knows() -> None:
    found = learn(stated(None, None), np.array([[60.0, -40.0]]), np.array([TIGHT]), [])
    next_turn = advise(found, 0.7, 2.0)
    assert not next_turn.stop
    assert next_turn.strokes == {"azimuth": (), "altitude": ()}
    assert next_turn.aims_arcmin == {"azimuth": -60.0, "altitude": 40.0}


@pytest.mark.parametrize(
    ("errors", "sigma", "reason"),
    [
        ([1.0, 1.0], 0.1, "the axis is within the limit of 2 arcmin (more than 99 % sure)"),
        (
            [1.0, 1.26],
            1.3,
            "the axis is within the limit of 2 arcmin ({} % sure); measuring once more would make it surer",
        ),
        (
            [2.0, 2.5],
            3.0,
            "what is left is within its uncertainty: measure longer, or leave it (within the limit: {} %)",
        ),
    ],
)
def test_when_to_stop(errors: list[float], sigma: float, reason: str) -> None:
    found = learn(stated(), np.array([errors]), np.array([sigma**2 * np.eye(2)]), [])
    next_turn = advise(found, 0.7, 2.0)
    assert next_turn.stop
    drawn = np.random.default_rng(1).normal(errors, sigma, (100_000, 2)) * (0.7, 1.0)
    percent = 100 * np.mean(np.hypot(*drawn.T) <= 2.0)
    said = re.search(r"(\d+) %", next_turn.reason)
    assert said is not None
    if "{}" in reason:
        assert float(said[1]) == pytest.approx(
            percent, abs=2
        )  # of 512 places: a percent, and another of rounding
    assert next_turn.reason == reason.format(said[1])


def test_a_knob_whose_way_is_unclear_turns_a_little() -> None:
    """A fifth of a turn should have made +8 arcmin and made -8, measured to 11: a quarter turn next, not two."""
    errors = np.array([[60.0, -40.0], [52.0, -40.0]])
    noise = np.array([np.diag([64.0, 0.01])] * 2)
    found = learn(stated(), errors, noise, [Step(((0.2,), ()))])
    assert found.unclear == (True, False)
    next_turn = advise(found, 0.7, 2.0)
    assert abs(sum(next_turn.strokes["azimuth"])) < 0.25 + 0.1  # the play is gone round
    assert abs(sum(next_turn.strokes["altitude"])) > 1
    assert next_turn.small == ("azimuth",)


@pytest.mark.slow
def test_intervals_of_the_response_cover() -> None:
    """150 mounts drawn from what the prior says: 95.4 % of each slope lie within two sigmas, give or take 1.7 %.

    90 % is three of those below.
    """
    rng = np.random.default_rng(3)
    prior = stated()
    hits = []
    for _ in range(150):
        slopes = rng.normal(prior.slopes, prior.slopes_sigma)
        slopes = np.where(np.eye(2) > 0, np.abs(slopes) * np.where(rng.random((2, 2)) < 0.1, -1, 1), slopes)
        play, place = rng.uniform(0, 0.2, 2), rng.random(2)
        axis = rng.uniform(-60, 60, 2)
        errors, steps = [], []
        for turn in range(3):
            errors.append(axis + rng.normal(0, 0.5, 2))
            if turn == 2:
                break
            strokes = [(float(s),) for s in rng.uniform(-2, 2, 2)]
            turns = np.zeros(2)
            for knob in range(2):
                real = strokes[knob][0] + rng.normal(0, 0.014)
                turns[knob], place[knob] = pushed(real, play[knob], place[knob])
            axis = axis + slopes @ turns + rng.normal(0, 0.2, 2)
            steps.append(Step((strokes[0], strokes[1])))
        found = learn(prior, np.array(errors), np.array([0.25 * np.eye(2)] * 3), steps)
        hits.append(np.abs(found.slopes - slopes) < 2 * found.slopes_sigma)
    assert np.mean(hits, axis=0).min() > 0.90


def test_a_mount_set_up_anew_keeps_its_knobs() -> None:
    """The axis is elsewhere the next week, and the turns of the last evening do not explain it: only that is lost."""
    truth = np.diag([44.0, 25.0])
    first = np.array([60.0, -40.0])
    errors = np.array([first, first + truth @ [-1.2, 1.5], [90.0, 70.0]])
    steps = [Step(((-1.2,), (1.5,))), Step(((0.2,), ()), lost=True)]
    found = learn(stated(), errors, np.array([TIGHT] * 3), steps)
    assert not found.unexplained
    assert found.slopes == pytest.approx(truth, abs=4.0)
    assert found.errors[-1] == pytest.approx([90.0, 70.0], abs=0.2)
