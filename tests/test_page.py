"""The page to keep: text stays text, no script runs, nothing is asked for, and its dials turn the right way."""

from __future__ import annotations

import json
import math
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path

import pytest
from conftest import run_here
from logfile import PLACE, sections_of, write_log

from poleward.report.page import dial, table_of
from poleward.simulate.night import Guider

HOSTILE = (
    "<script>document.title='ran'</script>",
    '"><img src=http://127.0.0.1:9/x onerror=alert(1)>',
    "a&b 'c' \"d\"",
)
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")


class Seen(HTMLParser):
    """Tags and attributes of a page, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "action", "data", "srcset") or name.startswith("on"):
                self.links.append(f"{name}={value}")

    def handle_data(self, data: str) -> None:
        self.text += data


def hostile_page(workdir: Path) -> Path:
    rows = ["label,hour_angle,dec,duration,north"]
    for number, label in enumerate((*HOSTILE, "long " + "A" * 10_000)):
        quoted = label.replace('"', '""')
        rows.append(f'"{quoted}",{-5 + 3 * number}h,10 deg,5 min,{-3 + number}')
    (workdir / "d.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    ran = run_here("solve", "d.csv", "--latitude", "47.1deg", "--page", "p.html")
    assert ran.status == 0, ran.err
    return workdir / "p.html"


def test_hostile_labels_are_text(workdir: Path) -> None:
    seen = Seen(hostile_page(workdir).read_text(encoding="utf-8"))
    assert not {"script", "img", "iframe", "object", "link"} & set(seen.tags)
    # Inside a drawing its parts refer to each other; nothing else is referred to.
    assert all(re.fullmatch(r"(xlink:)?href=#[\w-]+", link) for link in seen.links), seen.links
    for label in HOSTILE:
        assert label[:50] in seen.text
    assert max(map(len, re.findall("A+", seen.text))) < 100


@pytest.mark.skipif(BROWSER is None, reason="no Chromium here")
def test_no_script_runs_and_nothing_is_asked_for(workdir: Path) -> None:
    page = hostile_page(workdir)
    done = subprocess.run(
        [
            str(BROWSER), "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            f"--user-data-dir={workdir / 'browser'}", f"--log-net-log={workdir / 'net.json'}", "--dump-dom",
            page.as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )  # fmt: skip
    title = re.search("<title>(.*?)</title>", done.stdout)
    assert title
    assert title[1] == "poleward: solution"
    asked = re.findall(r'"url":"(https?://127[^"]*)"', (workdir / "net.json").read_text(encoding="utf-8"))
    assert not asked


@pytest.mark.parametrize(
    "command",
    [("demo",), ("plan", "--latitude", "47.1deg", "--longitude", "8.4deg", "--at", "2026-11-14T20:00+01:00")],
)
def test_every_result_makes_a_page(workdir: Path, command: tuple[str, ...]) -> None:
    ran = run_here(*command, "--page", "p.html")
    assert ran.status == 0, ran.err
    seen = Seen((workdir / "p.html").read_text(encoding="utf-8"))
    assert "svg" in seen.tags
    assert "table" in seen.tags
    assert run_here(*command, "--page", "p.html").status == 2  # never over what is there
    assert run_here(*command, "--page", "p.txt").status == 2


@pytest.mark.parametrize("stroke", [0.18, -0.18, 0.7, -0.7, 2.6, -1.25])
def test_dials(stroke: float) -> None:
    """The arc ends where the hand would: clockwise is to the right from the top, with y downward on a screen."""
    shown = dial(stroke)
    end = re.search(r"A40,40 0 (\d) (\d) (\S+),(\S+)$", str(shown["path"]))
    assert end
    turn = math.atan2(float(end[3]), -float(end[4])) / (2 * math.pi)  # clockwise from the top
    assert (turn - stroke + 0.5) % 1 - 0.5 == pytest.approx(0, abs=1e-3)  # two decimals on a radius of 40
    assert int(end[2]) == (stroke > 0)
    assert int(end[1]) == (abs(stroke) % 1 > 0.5)
    assert shown["whole"] == int(abs(stroke))


def test_what_the_page_says_beside_the_text(workdir: Path) -> None:
    """What a person at the mount needs is not folded away: coordinates to type, what is not known, the way to turn."""
    run_here("plan", "--latitude=47.1", "--longitude=8.4", "--at=2026-11-25T19:00+01:00", "--page=plan.html")
    plan = Path("plan.html").read_text(encoding="utf-8")
    assert re.search(r"<td>\d\dh\d\d\.\dm</td><td>[+-]\d\dd\d\dm</td>", plan)
    rows = [{"name": "veil", "within": None, "problem": "daylight"}, {"name": "cluster", "within": True}]
    shown = table_of("Targets", rows, {"name": 0, "within": 0, "problem": 0}).rows
    assert shown == (("veil", "?", "daylight"), ("cluster", "yes", ""))
    run_here("demo", "--page=demo.html")
    assert "Clockwise as you look at the knob's head." in Path("demo.html").read_text(encoding="utf-8")


def test_what_makes_a_log_doubtful_stands_above_its_verdict(workdir: Path) -> None:
    """The verdict itself is on the page too, whatever stands above it; and nothing twice."""
    sections = sections_of(((-3.5, 20.0), (0.2, 5.0)), seconds=1800, guider=Guider(true_rate=4.6))
    write_log(workdir, "night.log", sections)
    ran = run_here("log", "night.log", "-l", "l.toml", *PLACE, "--page=p.html")
    assert ran.out.startswith("! the pulses moved the telescope ")
    html = Path("p.html").read_text(encoding="utf-8").split("<details>")[0]
    doubt, verdict = (
        html.index(text) for text in ("the pulses moved the telescope ", '<p class="verdict">The axis ')
    )
    assert doubt < verdict < html.index("azimuth  ") < html.index("<h2>What to turn")
    assert html.count("the pulses moved the telescope ") == 1


def test_a_page_turns_nothing_that_the_text_leaves(workdir: Path) -> None:
    """An error within its uncertainty has no dial, and the lines of a verdict are not a terminal's."""
    one, other = (
        "hour_angle=0h, dec=0d, duration=5min, north=1",
        "hour_angle=-5h, dec=15d, duration=5min, north=-1.9",
    )
    ran = run_here("solve", "--latitude=47.1", "--drift", one, "--drift", other, "--page=p.html")
    assert "nothing to turn" in ran.out
    html = Path("p.html").read_text(encoding="utf-8")
    page = Seen(html)
    assert re.search(
        r"within [\d.]+ arcmin of the apparent pole \(95 %\) and may stand on it",
        page.text,
    )
    assert 'class="dial"' not in html
    assert "Clockwise as you look" not in page.text


def test_a_page_of_rounds_says_what_was_turned_and_what_a_turn_does(workdir: Path) -> None:
    story = Path(__file__).parents[1] / "worked_examples" / "tilted-base"
    ran = run_here(
        "rounds", str(story / "rounds.json"), "--setup", str(story / "poleward.toml"), "--page=p.html"
    )
    assert ran.status == 0
    text = Path("p.html").read_text(encoding="utf-8")
    turned = json.loads((story / "rounds.json").read_text(encoding="utf-8"))["rounds"][0]["turned"]
    for strokes in turned.values():
        told = (f"{abs(one):.2f} {'clockwise' if one > 0 else 'counter-clockwise'}" for one in strokes)
        assert f">{' then '.join(told)}</td>" in text
    assert re.search(
        r"What a clockwise turn does.*<td>azimuth</td><td>\+4\d\.\d ± \d\.\d</td>", text, re.DOTALL
    )
