"""Many sections of guide logs in a chart: each group's answer against time, or each section's drift, and where they pointed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from poleward.guidelog.fitting.logsolution import LogGroup, LogSolution, SectionResult
from poleward.guidelog.fitting.season import Season
from poleward.report.chart import Palette, dressed, legend_of


def draw_answers(figure: Any, result: LogSolution, used: Sequence[SectionResult], palette: Palette) -> None:
    """Draw the answers of several groups against time, or of one the drifts; below them where each section pointed."""
    groups = [group for group in result.groups if group.solution is not None]
    if len(groups) > 1:
        azimuth, altitude, hours, angles = figure.subplots(4, 1, sharex=True, height_ratios=[3, 3, 1.3, 1.3])
        _against_time(azimuth, result, groups, "azimuth", palette)
        _against_time(altitude, result, groups, "altitude", palette)
        if _dated(groups):
            looked = [section for section in used if section.start is not None]
            _pointings(hours, angles, [s.start.astimezone(UTC) for s in looked if s.start], looked, palette)
            _dates(angles, palette)
        else:
            number = {id(section): k for k, group in enumerate(groups, 1) for section in group.sections}
            looked = [section for section in used if id(section) in number]
            _pointings(hours, angles, [number[id(section)] for section in looked], looked, palette)
        angles.set_xlabel("time, UTC" if _dated(groups) else "group")
    else:
        drifts, hours, angles = figure.subplots(3, 1, sharex=True, height_ratios=[4, 1.3, 1.3])
        _rates(drifts, used, palette)
        _pointings(hours, angles, np.arange(1, len(used) + 1), used, palette)
        angles.set_xlabel("section")


def _dated(groups: Sequence[LogGroup]) -> bool:
    return all(group.start is not None for group in groups)


def _pointings(
    upper: Any, lower: Any, places: Sequence[Any] | Any, sections: Sequence[SectionResult], palette: Palette
) -> None:
    """Where each section pointed when it began: a wrong one makes its answer wrong."""
    for axes in (upper, lower):
        dressed(axes, palette)
        axes.margins(y=0.15)  # marks stand clear of the frame
    style: dict[str, Any] = {"color": palette.ink, "markersize": 4, "linestyle": "none"}
    upper.plot(places, [_number(s.hour_angle_h) for s in sections], marker=".", **style)
    upper.set_ylabel("hour\nangle [h]")
    lower.plot(places, [_number(s.dec_deg) for s in sections], marker="x", label="dec", **style)
    lower.plot(places, [_number(s.altitude_deg) for s in sections], marker="^", label="altitude", **style)
    lower.set_ylabel("dec, alt\n[deg]")
    _legend(lower, palette)


def _number(value: float | None) -> float:
    return float("nan") if value is None else value


def _dates(axes: Any, palette: Palette) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    # Three ticks at least: with the usual five, three days and a half are divided into more hours than seven ticks can.
    locator = AutoDateLocator(minticks=3, maxticks=7)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    axes.xaxis.get_offset_text().set_color(palette.ink)


def _against_time(
    axes: Any, result: LogSolution, groups: Sequence[LogGroup], name: str, palette: Palette
) -> None:
    """One error of each group, with the season's lines, or the mean, or the last."""
    dressed(axes, palette)
    colour = palette.azimuth if name == "azimuth" else palette.altitude
    dated = _dated(groups)
    places, values, sigmas = [], [], []
    for number, group in enumerate(groups, 1):
        value = getattr(group.solution, f"{name}_error_arcmin")
        if value is None:
            continue
        places.append(group.start.astimezone(UTC) if dated and group.start is not None else number)
        values.append(value)
        sigmas.append(getattr(group.solution, f"{name}_sigma_arcmin"))
    axes.errorbar(
        places, values, yerr=sigmas, color=colour, marker="s" if name == "azimuth" else "o", markersize=4,
        linestyle="none", linewidth=1, label="each group, 1 sigma",
    )  # fmt: skip
    if result.season is not None and dated:
        _season(axes, result, result.season, 0 if name == "azimuth" else 1, palette)
    else:
        value, sigma = (getattr(result.solution, f"{name}_{what}_arcmin") for what in ("error", "sigma"))
        if value is not None:
            agree = result.agreement is None or result.agreement.mean is not None
            label = "weighted mean, 2 sigma" if agree else "the last one, 2 sigma"
            axes.axhline(value, color=palette.ink, linewidth=1.4, label=label)
            axes.axhspan(value - 2 * sigma, value + 2 * sigma, color=palette.ink, alpha=0.12, linewidth=0)
    side = "low < > high" if name == "altitude" else "west < > east"
    axes.set_ylabel(f"{name} error [arcmin]\n{side}")
    _legend(axes, palette)


def _season(axes: Any, result: LogSolution, season: Season, which: int, palette: Palette) -> None:
    """One error over a season: a line for each spell, its knocks, and the nights set aside."""

    def at(night: int) -> datetime:
        start = result.groups[night].start
        assert start is not None  # a season's nights are dated
        return start.astimezone(UTC)

    for number, spell in enumerate(season.spells):
        first, last = at(spell.first), at(spell.last)
        back = np.linspace((first - last) / timedelta(days=1), 0.0, 20)
        times = [last + timedelta(days=days) for days in back]
        places, sigmas = np.array([spell.at(days) for days in back])[:, :, which].T
        named = (
            {} if number else {"label": "between knocks, 2 sigma" if season.knocks else "the season, 2 sigma"}
        )
        axes.plot(times, places, color=palette.ink, linewidth=1.4, zorder=3, **named)
        axes.fill_between(
            times, places - 2 * sigmas, places + 2 * sigmas, color=palette.ink, alpha=0.12, linewidth=0
        )
    for number, knock in enumerate(season.knocks):
        named = {} if number else {"label": "knocked"}
        axes.axvspan(
            at(knock.before), at(knock.after), facecolor="none", edgecolor=palette.faint, hatch="////", linewidth=0,
            zorder=1, **named,
        )  # fmt: skip
    attribute = ("azimuth_error_arcmin", "altitude_error_arcmin")[which]
    if season.aside:
        axes.plot(
            [at(night) for night in season.aside],
            [getattr(result.groups[night].solution, attribute) for night in season.aside], color=palette.ink,
            marker="x", markersize=9, linestyle="none", label="set aside", zorder=4,
        )  # fmt: skip


def _rates(axes: Any, used: Sequence[SectionResult], palette: Palette) -> None:
    """Drift of each section beside what the fitted axis makes of it."""
    dressed(axes, palette)
    numbers = np.arange(1, len(used) + 1)
    axes.axhline(0, color=palette.faint, linewidth=0.8)
    axes.plot(
        numbers, [section.north_rate_fitted_arcsec_per_min for section in used], color=palette.ink, marker="_",
        markersize=10, linestyle="none", label="by the fitted axis",
    )  # fmt: skip
    axes.errorbar(
        numbers, [section.north_rate_arcsec_per_min for section in used],
        yerr=[section.north_rate_sigma_arcsec_per_min for section in used], color=palette.axis, marker="o",
        markersize=4, linestyle="none", linewidth=1, label="corrections undone, 1 sigma",
    )  # fmt: skip
    axes.set_ylabel("drift north [arcsec/min]")
    _legend(axes, palette)


def _legend(axes: Any, palette: Palette) -> None:
    legend_of(
        axes, palette, fontsize=8, loc="lower right", bbox_to_anchor=(1, 1.0), borderaxespad=0.0, ncols=2
    )
