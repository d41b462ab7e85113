"""The house stands as DEVELOPERS.md says: imports run one way, few public names, a light front door."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from functools import cache
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from types import FrameType

import pytest

import poleward
from poleward.cli import COMMANDS
from poleward.report.shown import LOOKS
from poleward.timings.rows import COLUMNS as DRIFT_COLUMNS
from poleward.tonight.targets import COLUMNS as TARGET_COLUMNS

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "src" / "poleward"

LADDER = [
    "errors",
    "door",
    "sky",
    "timings",
    "solving",
    "setup",
    "guidelog.reading",
    "guidelog.fitting",
    "frames",
    "tonight",
    "planning",
    "rounds",
    "simulate",
    "report",
    "cli",
]
"""From the cellar to the roof: folders, and the two files that stand between them."""


@cache
def nodes_of(path: Path) -> list[ast.AST]:
    """All of a file's syntax tree."""
    return list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


PUBLIC = [
    "Air",
    "AxisError",
    "Camera",
    "CameraFound",
    "Check",
    "Drift",
    "Drifts",
    "FrameDrifts",
    "GuideCamera",
    "InputError",
    "Knob",
    "Layout",
    "LogFile",
    "LogGroup",
    "LogSolution",
    "Needed",
    "Plan",
    "Pointing",
    "PolewardError",
    "Section",
    "SectionResult",
    "Setup",
    "Site",
    "Solution",
    "Target",
    "Turning",
    "UsageError",
    "WrongTypeError",
    "check",
    "needed_accuracy",
    "plan",
    "read_axis",
    "read_drifts",
    "read_frames",
    "read_layout",
    "read_log",
    "read_setup",
    "read_targets",
    "find_camera",
    "solve",
    "solve_log",
    "tell_rounds",
    "Told",
]


def floor_of(module: str) -> int:
    return next(i for i, name in enumerate(LADDER) if f"{module}.".startswith(f"{name}."))


def order_in(folder: str) -> list[str]:
    """Files of a folder in their order, as its docstring says."""
    said = import_module(f"poleward.{folder}").__doc__ or ""
    found = re.search(r"In order: ([\w,\s]+)\.", said)
    assert found, f"{folder}/__init__.py does not say 'In order: ...'"
    return re.split(r",\s+", found.group(1))


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in nodes_of(path):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("poleward."):
            module = node.module.removeprefix("poleward.")
            folder = PACKAGE / module.replace(".", "/")
            inside = [a.name for a in node.names if (folder / f"{a.name}.py").exists()]
            found.update(f"{module}.{name}" for name in inside)
            if len(inside) < len(node.names) and not folder.is_dir():
                found.add(module)
        elif isinstance(node, ast.Import):
            found.update(
                a.name.removeprefix("poleward.") for a in node.names if a.name.startswith("poleward.")
            )
    return found


def source_files() -> list[Path]:
    return [path for path in PACKAGE.rglob("*.py") if path.name not in ("__init__.py", "__main__.py")]


@pytest.mark.parametrize("path", source_files(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_one_way(path: Path) -> None:
    """Down the folders, and inside a folder down its own order."""
    here = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
    floor = floor_of(here)
    for other in imports_of(path):
        assert floor_of(other) <= floor, f"{here} imports {other} from above"
        if floor_of(other) == floor:
            order = order_in(LADDER[floor])
            mine, theirs = (name.rsplit(".", 1)[-1] for name in (here, other))
            assert order.index(theirs) < order.index(mine), f"{here} imports {other}, a later file"


@pytest.mark.parametrize("folder", [name for name in LADDER if (PACKAGE / name.replace(".", "/")).is_dir()])
def test_folders_list_their_files(folder: str) -> None:
    files = [
        path.stem for path in (PACKAGE / folder.replace(".", "/")).glob("*.py") if path.stem != "__init__"
    ]
    assert sorted(order_in(folder)) == sorted(files)


def test_who_made_it_is_said_once() -> None:
    """To be cited as it is packaged; the version stands in the package alone."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    cited = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert [f"  - name: {author['name']}" in cited for author in project["authors"]] == [True]
    assert f"license: {project['license']}\n" in cited
    assert "\nversion" not in cited
    assert "version" in project["dynamic"]
    texts = {path: path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")}
    holds = [path for path, text in texts.items() if f'"{poleward.__version__}"' in text]
    assert holds == [PACKAGE / "__init__.py"]


def test_what_is_imported_is_declared() -> None:
    """Every library that a file of the package names, and the zone database, which none does; those of extras under them."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needs = [re.split("[>=]", need)[0].replace("-", "_") for need in project["dependencies"]]
    assert "tzdata" in needs
    called = {"erfa" if need == "pyerfa" else need for need in needs}
    called |= {"markupsafe"}  # the type of jinja2's own strings, which it cannot do without
    for path in source_files():
        for node in nodes_of(path):
            names = [each.name for each in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in {each.split(".")[0] for each in names} - set(sys.stdlib_module_names) - {"poleward"}:
                extra = name == "photutils" and "frames" in path.parts
                assert name in called or extra, f"{path}: {name}"


def test_the_readme_names_the_pythons_that_work() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    least = project["requires-python"].removeprefix(">=")
    told = [each.rsplit(" ", 1)[1] for each in project["classifiers"] if ":: Python :: 3." in each]
    assert f"`python3` must be Python {least} or newer" in readme
    assert least == min(told, key=lambda each: int(each.split(".")[1]))
    assert "    python3 -m venv .venv && " in readme
    assert "    py -m venv .venv; .venv\\Scripts\\pip install .; .venv\\Scripts\\poleward demo\n" in readme


def test_few_files_at_the_top() -> None:
    assert {path.stem for path in PACKAGE.glob("*.py")} <= {"__init__", "__main__", "errors", "setup"}


def test_class_names_are_unique() -> None:
    seen: dict[str, Path] = {}
    for path in source_files():
        for node in nodes_of(path):
            if isinstance(node, ast.ClassDef):
                assert node.name not in seen, f"{node.name} in {seen[node.name]} and {path}"
                seen[node.name] = path


def test_frozen_objects_that_hold_arrays_compare_by_identity() -> None:
    """An array has no single truth, so comparing two of them by value would raise."""
    arrays = re.compile(r"Floats|NDArray|ndarray|Mask|Ints|Bools")
    for path in source_files():
        for node in nodes_of(path):
            kinds = [ast.unparse(one) for one in getattr(node, "decorator_list", [])]
            if isinstance(node, ast.ClassDef) and any("dataclass(frozen=True" in kind for kind in kinds):
                fields = [ast.unparse(one.annotation) for one in node.body if isinstance(one, ast.AnnAssign)]
                if any(map(arrays.search, fields)):
                    assert any("eq=False" in kind for kind in kinds), f"{node.name} in {path}"


def test_only_the_sky_knows_coordinates() -> None:
    """Quantity.parse may ask for Angle, a parser, and clock for time scales; frames and places belong to the sky."""
    for path in source_files():
        text = path.read_text(encoding="utf-8")
        if path.stem not in ("look", "earth", "clock") and path.parent.name != "simulate":
            frames = r"^\s*(import erfa|from .*(AltAz|HADec))|EarthLocation(\.from|\()"
            assert not re.search(frames, text, re.MULTILINE), path


def test_one_window_upward() -> None:
    """What a result looks like is asked by name in one place; nothing else below knows of `report`."""
    for path in source_files():
        if path.relative_to(PACKAGE).parts[0] not in ("report", "cli"):
            assert ("poleward.report" in path.read_text(encoding="utf-8")) == (path.stem == "show"), path
    for text, chart, _ in LOOKS.values():
        for module, name in (where.split(".") for where in (text, chart)):
            assert callable(getattr(import_module(f"poleward.report.{module}"), name))


def test_public_names() -> None:
    assert sorted(poleward.__all__) == sorted(PUBLIC)
    for name in PUBLIC:
        assert getattr(poleward, name) is not None
    assert set(PUBLIC) <= set(dir(poleward))
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = poleward.nothing


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["solve", "--help"], []])
def test_help_is_light(arguments: list[str]) -> None:
    code = (
        "import sys\nfrom poleward.cli import run\n"
        f"try:\n    run({arguments!r})\nexcept SystemExit as left:\n    assert left.code == 0\n"
        "heavy = {'numpy', 'scipy', 'astropy', 'lmfit', 'matplotlib'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "poleward" in done.stdout


@pytest.mark.slow
@pytest.mark.parametrize("workers", [(), ("-p", "xdist", "-n", "1")], ids=["alone", "workers"])
def test_a_test_that_hangs_is_ended_and_named(workers: tuple[str, ...], tmp_path: Path) -> None:
    """By pyproject's limit, shortened to a second: with one process the run ends there, with workers it goes on."""
    (tmp_path / "test_it.py").write_text(
        "import time\ndef test_that_hangs():\n    time.sleep(300)\n", "utf-8"
    )
    settings = ("-c", str(ROOT / "pyproject.toml"), "-o", "faulthandler_timeout=1", "-p", "no:cacheprovider")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:hypothesispytest", *settings, *workers, "test_it.py"],
        capture_output=True, text=True, check=False, cwd=tmp_path, timeout=100,
    )  # fmt: skip
    assert done.returncode != 0
    assert "test_it.py" in done.stderr + done.stdout
    assert "in test_that_hangs" in done.stderr


def test_slow_tests_are_named_here_and_run_by_ci() -> None:
    """Real shells, terminals, users and signals, pages typed in bash, mypy over astropy, and experiments' nights drawn over again, each with a
    quicker test beside it; nothing else is left out by default."""
    files = (ROOT / "tests").glob("*.py")
    slow = [
        re.findall(r"mark\.slow\n(?:@.*\n)*def (\w+)", path.read_text(encoding="utf-8")) for path in files
    ]
    assert {name for names in slow for name in names} == {
        "test_files_choices_and_poles_complete",
        "test_a_whole_evening_with_slips",
        "test_bouts_do_not_make_answers_too_small",
        "test_commands_work_as_typed",
        "test_mypy_sees_the_types_of_a_users_script",
        "test_an_example_of_the_help_works_as_typed",
        "test_some_runs",
        "test_workers_end_with_the_first_process",
        "test_an_end_at_any_moment_leaves_nothing",
        "test_a_user_whom_the_system_does_not_know",
        "test_folders_that_may_not_be_entered",
        "test_follow_interrupted",
        "test_what_was_to_be_ignored_stays_ignored",
        "test_a_test_that_hangs_is_ended_and_named",
        "test_a_killed_worker_is_told_and_its_work_done",
        "test_stars_beside_the_pole_may_leave_two_answers",
        "test_robust_finds_sigmas_that_are_too_small",
        "test_a_moderate_blunder_widens_the_answer",
        "test_no_line_beyond_the_terminal_and_nothing_is_lost_by_it",
        "test_dim_from_the_first_line",
        "test_errors_are_dim_too",
        "test_a_blunder_of_twenty_sigma_is_named",
        "test_nobody_is_blamed_for_nothing",
        "test_three_timings_are_too_few_to_blame_one",
        "test_robust_fit_of_eight_with_a_blunder",
        "test_scatter_widens_when_the_stated_sigma_is_a_third_of_the_truth",
        "test_nothing_lasts_and_the_answer_is_not_too_large",
        "test_knocks_are_dated_and_none_is_made_up",
        "test_place_and_rates_cover",
        "test_claimed_sigmas_keep_their_word",
        "test_intervals_hold_whatever_the_worm_does",
        "test_intervals_of_the_response_cover",
        "test_a_plan_agrees_with_simulated_nights",
    }
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    default, apart, *whole = re.findall(r"^ *alone .*pytest (?!.*tests/)(.*)$", script, re.MULTILINE)
    assert "-m " not in default
    assert "-m slow" in apart
    assert whole
    assert all('-m ""' in words for words in whole)


def test_files_and_functions_stay_small() -> None:
    """No file over 300 lines, no function over 60 with its docstring: each is read at one sitting, on one screen."""
    texts = {path: path.read_text(encoding="utf-8") for path in source_files()}
    assert not {str(path): n for path, text in texts.items() if (n := len(text.splitlines())) > 300}
    nodes = [(path, node) for path in texts for node in nodes_of(path)]
    functions = [(path, node) for path, node in nodes if isinstance(node, ast.FunctionDef)]
    assert not {
        f"{path}: {node.name}": lines
        for path, node in functions
        if (lines := (node.end_lineno or 0) - node.lineno + 1) > 60
    }


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_docs(command: str) -> None:
    pages = [path.read_text(encoding="utf-8") for path in (ROOT / "docs").glob("*.md")]
    assert any(f"poleward {command}" in page for page in pages)


def test_every_column_is_in_the_docs() -> None:
    page = (ROOT / "docs" / "files.md").read_text(encoding="utf-8")
    for column in [*DRIFT_COLUMNS, *TARGET_COLUMNS]:
        assert f"`{column}`" in page, column


def test_no_module_hides_a_public_name() -> None:
    """Importing poleward.NAME puts the module on the package, where it would hide a function of that name."""
    modules = {path.stem for path in PACKAGE.iterdir()}
    assert not modules & set(PUBLIC)


def test_solve_goes_down_the_ladder() -> None:
    """What `solve` calls, in order, its own helpers apart, climbs back up at most three times."""
    from poleward import Drifts, Site
    from poleward.solving import asked, solver

    rows = [
        {"hour_angle": f"{h}h", "dec": "5d", "duration": "5 min", "north": f"{n} arcsec"}
        for h, n in ((0, -6), (-5, -4), (3, 1))
    ]
    drifts, called = Drifts.from_rows(rows), []
    steps = (asked.solve.__code__, solver.axis_of.__code__)

    def watch(frame: FrameType, event: str, _: object) -> None:
        back = frame.f_back
        if event == "call" and back is not None and back.f_code in steps:
            name = str(frame.f_globals["__name__"]).removeprefix("poleward.")
            called.extend([name] if name not in ("solving.asked", "solving.solver") else [])

    sys.setprofile(watch)
    try:
        poleward.solve(drifts, Site("47 deg"))
    finally:
        sys.setprofile(None)
    places = [
        (floor_of(name), order_in(LADDER[floor_of(name)]).index(name.split(".")[-1])) for name in called
    ]
    assert len(places) >= 6
    assert sum(later < before for before, later in pairwise(places)) <= 3, called


def test_every_public_name_is_in_the_docs() -> None:
    """In docs/python.md, and used in one of its examples, which tests/test_docs.py runs."""
    page = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    examples = "\n".join(line for line in page.splitlines() if line.startswith((">>>", "...")))
    missing = [name for name in PUBLIC if not re.search(rf"\bpoleward\.{name}\b", examples)]
    assert not missing
