"""The house: the set-up script, the locks, the guides, and what no tracked file may hold."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

from forecast.exposure import CAUTIONS
from forecast.rows import COLUMNS

ROOT = Path(__file__).parent.parent
LOCKS = ("requirements.lock", "requirements-dev.lock")


@pytest.fixture
def script() -> ModuleType:
    """run.py as a module."""
    module = ModuleType("run")
    module.__file__ = str(ROOT / "run.py")
    source = (ROOT / "run.py").read_text(encoding="utf-8")
    exec(compile(source, module.__file__, "exec"), module.__dict__)
    return module


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A folder with a space in its name that holds what the set-up reads."""
    folder = tmp_path / "a folder with spaces"
    folder.mkdir()
    for name in ("run.py", *LOCKS):
        shutil.copy(ROOT / name, folder / name)
    return folder


def started(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """run.py as people start it, without a terminal."""
    return subprocess.run(
        [sys.executable, str(folder / "run.py"), *arguments],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


# The script, before it sets anything up


def test_alone_it_shows_a_menu_in_words_and_asks_nothing_without_a_terminal(checkout: Path) -> None:
    shown = started(checkout)
    assert shown.returncode == 0
    for name in ("demo", "forecast", "lab", "test", "check", "bench"):
        assert re.search(rf"^  \d  {name} +\w", shown.stdout, re.MULTILINE), name
    assert not (checkout / ".venv").exists()


def test_an_unknown_command_is_wrong_input_and_names_what_there_is(checkout: Path) -> None:
    shown = started(checkout, "demonstrate")
    assert shown.returncode == 2
    assert "no command 'demonstrate'" in shown.stderr
    assert "demo" in shown.stderr


@pytest.mark.parametrize("old", [(3, 6, 15), (3, 10, 13)])
def test_an_old_python_is_told_in_a_sentence(script: ModuleType, old: tuple[int, ...]) -> None:
    sentence = script.too_old(old)
    assert f"needs Python 3.11 or newer, and was started with Python {old[0]}.{old[1]}" in sentence


def test_a_python_that_is_new_enough_is_told_nothing(script: ModuleType) -> None:
    assert script.too_old((3, 11, 2)) == ""
    assert script.too_old((3, 14, 0)) == ""


def test_old_pythons_can_read_the_script_to_its_end() -> None:
    source = (ROOT / "run.py").read_text(encoding="utf-8")
    tree = ast.parse(source, feature_version=(3, 6))
    assert "from __future__ import annotations" not in source  # unknown to 3.6
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            given = [*node.args.args, *node.args.kwonlyargs]
            for annotation in [node.returns, *(arg.annotation for arg in given)]:
                # list[str] and str | None cannot be evaluated there; in quotes nobody does.
                assert not isinstance(annotation, ast.Subscript | ast.BinOp), node.name


@pytest.mark.parametrize(
    ("answer", "command"),
    [("1", "demo"), (" demo ", "demo"), ("4", "test"), ("0", ""), ("99", ""), ("dem", "")],
)
def test_a_choice_is_a_number_or_a_name(script: ModuleType, answer: str, command: str) -> None:
    assert script.choice(answer) == command


# Where things are, and when they are made anew


def test_windows_has_its_own_layout(script: ModuleType) -> None:
    there = script.places("C:\\My Work\\forecast", windows=True)
    assert there.python == "C:\\My Work\\forecast\\.venv\\Scripts\\python.exe"
    there = script.places("/home/me/my work", windows=False)
    assert there.python == "/home/me/my work/.venv/bin/python"


def test_nothing_is_done_for_an_environment_that_is_ready(
    script: ModuleType, checkout: Path
) -> None:
    wanted = script.wanted_stamp(str(checkout), dev=False)
    assert script.what_to_do(wanted, wanted) == "nothing"


def test_without_a_stamp_an_environment_is_made_anew(script: ModuleType, checkout: Path) -> None:
    wanted = script.wanted_stamp(str(checkout), dev=False)
    assert script.what_to_do(script.read_stamp(str(checkout / "none.json")), wanted) == "make"


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '"ready"'])
def test_a_stamp_that_cannot_be_read_counts_as_none(
    script: ModuleType, tmp_path: Path, text: str
) -> None:
    (tmp_path / "ready.json").write_text(text, encoding="utf-8")
    assert script.read_stamp(str(tmp_path / "ready.json")) == {}


@pytest.mark.parametrize("name", LOCKS)
def test_a_changed_lock_makes_it_anew(script: ModuleType, checkout: Path, name: str) -> None:
    before = script.wanted_stamp(str(checkout), dev=False)
    with (checkout / name).open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    assert script.what_to_do(before, script.wanted_stamp(str(checkout), dev=False)) == "make"


def test_turned_line_ends_change_nothing(script: ModuleType, checkout: Path) -> None:
    before = script.checksum(str(checkout))
    lock = checkout / LOCKS[0]
    lock.write_bytes(lock.read_bytes().replace(b"\n", b"\r\n"))
    assert script.checksum(str(checkout)) == before


def test_another_python_makes_it_anew(script: ModuleType, checkout: Path) -> None:
    wanted = script.wanted_stamp(str(checkout), dev=False)
    assert script.what_to_do({**wanted, "python": "3.11.0"}, wanted) == "make"


def test_a_moved_folder_makes_it_anew(script: ModuleType, checkout: Path) -> None:
    before = script.wanted_stamp(str(checkout), dev=False)
    moved = checkout.rename(checkout.with_name("moved elsewhere"))
    assert script.what_to_do(before, script.wanted_stamp(str(moved), dev=False)) == "make"


def test_the_developers_tools_are_added_and_then_serve_everything(
    script: ModuleType, checkout: Path
) -> None:
    run = script.wanted_stamp(str(checkout), dev=False)
    dev = script.wanted_stamp(str(checkout), dev=True)
    assert script.what_to_do(run, dev) == "add"
    assert script.what_to_do(dev, run) == "nothing"


@pytest.mark.parametrize(
    ("command", "dev"), [("demo", False), ("lab", False), ("test", True), ("bench", True)]
)
def test_what_needs_the_developers_tools_sets_them_up(
    script: ModuleType, monkeypatch: pytest.MonkeyPatch, command: str, dev: bool
) -> None:
    asked: list[bool] = []
    monkeypatch.setattr(script, "set_up", lambda _, dev: asked.append(dev))
    monkeypatch.setattr(script, "hand_over", lambda *_: 0)
    assert script.run(script.places(str(ROOT), windows=False), command, []) == 0
    assert asked == [dev]


def test_an_environment_of_somebody_else_is_left_alone(checkout: Path) -> None:
    keep = checkout / ".venv" / "keep.txt"
    keep.parent.mkdir()
    keep.write_text("mine", encoding="utf-8")
    shown = started(checkout, "demo")
    assert shown.returncode == 1
    assert "this script did not make. Rename or delete it" in shown.stderr
    assert "Traceback" not in shown.stderr
    assert keep.read_text(encoding="utf-8") == "mine"


def test_what_a_stopped_removal_leaves_is_not_believed_and_can_be_removed(
    script: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = script.places(str(checkout), windows=os.name == "nt")
    (checkout / ".venv" / "lib").mkdir(parents=True)
    for name in (script.MADE_HERE, script.STAMP):
        (checkout / ".venv" / name).write_text("{}", encoding="utf-8")

    def stopped(path: str) -> None:
        raise KeyboardInterrupt(path)

    with monkeypatch.context() as patch:
        patch.setattr(shutil, "rmtree", stopped)
        with pytest.raises(KeyboardInterrupt):
            script.remove(there)
    left = sorted(path.name for path in Path(there.venv).iterdir())
    assert left == ["lib", script.MADE_HERE]
    script.remove(there)
    assert not (checkout / ".venv").exists()


def test_a_failed_installation_leaves_no_stamp_and_says_what_to_do(
    script: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = script.places(str(checkout), windows=os.name == "nt")
    fails = [sys.executable, "-c", "print('no route'); raise SystemExit(1)"]
    monkeypatch.setattr(script, "installer", lambda _: fails)
    with pytest.raises(script.SetUpError, match=r"(?s)no route.*needs the network"):
        script.set_up(there, dev=False)
    assert not Path(there.stamp).exists()
    assert Path(there.made_here).exists()


def test_a_made_environment_finds_the_package_of_its_checkout(
    script: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = script.places(str(checkout), windows=os.name == "nt")
    package = checkout / "forecast"
    package.mkdir()
    (package / "__init__.py").write_text("NAME = 'here'\n", encoding="utf-8")
    monkeypatch.setattr(script, "installer", lambda _: [sys.executable, "-c", "pass"])
    script.set_up(there, dev=False)
    assert json.loads(Path(there.stamp).read_text(encoding="utf-8"))["dev"] is False
    said = subprocess.run(
        [there.python, "-P", "-c", "import forecast; print(forecast.NAME)"],
        cwd=checkout.parent,
        capture_output=True,
        text=True,
        check=True,
    )
    assert said.stdout.strip() == "here"
    news = json.loads(Path(there.overrides).read_text(encoding="utf-8"))
    assert news["@jupyterlab/apputils-extension:notification"]["fetchNews"] == "false"

    def never(*_: object) -> None:
        raise AssertionError("nothing is to be made a second time")

    monkeypatch.setattr(script, "make", never)
    script.set_up(there, dev=False)


def test_what_is_installed_first_is_in_the_locks_and_is_enough_to_prepare_the_model(
    script: ModuleType,
) -> None:
    for name in LOCKS:
        with (ROOT / name).open(encoding="utf-8") as lock:
            lines = script.first_of(lock)
        names = {line.split("==")[0] for line in lines if line[0].isalnum()}
        assert names == set(script.FIRST)
        assert all("--hash=sha256:" in line for line in lines if line[0] == " ")
    only_these = """
import sys
allowed = {*sys.stdlib_module_names, "forecast", "dateutil", *sys.argv[1].split()}
class Only:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] not in allowed:
            raise ModuleNotFoundError(name, name=name.split(".")[0])
sys.meta_path.insert(0, Only())
"""
    done = subprocess.run(
        [sys.executable, "-c", only_these + script.PREPARE, " ".join(script.FIRST)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_a_model_that_cannot_be_prepared_is_no_reason_to_stop(
    script: ModuleType, checkout: Path
) -> None:
    there = script.places(str(checkout), windows=False)
    there.python = sys.executable  # which finds no project there
    with script.preparing(there):
        pass
    with pytest.raises(KeyboardInterrupt), script.preparing(there):
        raise KeyboardInterrupt


def test_without_any_pip_it_says_what_to_install(
    script: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = script.places(str(checkout), windows=False)
    monkeypatch.setattr(script, "succeeds", lambda _: False)
    with pytest.raises(script.SetUpError, match="apt install python3-venv"):
        script.installer(there)


def test_without_ensurepip_the_pip_of_the_starting_python_works_for_it(
    script: ModuleType, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = script.places(str(checkout), windows=False)
    monkeypatch.setattr(script, "succeeds", lambda command: "ensurepip" not in command)
    assert script.installer(there) == [sys.executable, "-m", "pip", "--python", there.python]


def test_what_is_started_hears_nothing_of_another_python(
    script: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", "elsewhere")
    monkeypatch.setenv("PIP_USER", "1")
    monkeypatch.setenv("PYTHONDONTWRITEBYTECODE", "1")  # would make every start a slow one
    kept = script.environment()
    assert "PYTHONDONTWRITEBYTECODE" not in kept
    assert "PYTHONPATH" not in kept
    assert kept["PIP_USER"] == "0"


def test_jupyterlab_is_reached_from_this_machine_only_and_keeps_its_token(
    script: ModuleType,
) -> None:
    arguments = script.lab_arguments("/home/me/my work", ["--no-browser"])
    assert "--ServerApp.ip=127.0.0.1" in arguments
    (opened,) = [word for word in arguments if "default_url" in word]
    assert (ROOT / opened.partition("/lab/tree/")[2]).is_file()
    assert arguments[-1] == "--no-browser"
    assert not any("token" in word.lower() or "password" in word.lower() for word in arguments)


def test_tests_run_side_by_side_unless_told_otherwise(script: ModuleType) -> None:
    assert "-n" in script.test_arguments(["-k", "luck"])
    assert script.test_arguments(["-n0"]).count("-n") == 0


# The locks


def requirements(name: str) -> dict[str, str]:
    """Each requirement of a lock (name, version, marker) with the text of its hashes."""
    text = (ROOT / name).read_text(encoding="utf-8")
    text = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    found = {}
    for entry in re.split(r"\n(?=[A-Za-z0-9])", text):
        head, _, hashes = entry.partition("--hash=")
        found[head.rstrip(" \\\n")] = hashes
    return found


@pytest.mark.parametrize("name", LOCKS)
def test_each_requirement_is_pinned_and_has_a_checksum(name: str) -> None:
    found = requirements(name)
    assert len(found) > 50
    for head, hashes in found.items():
        assert re.match(r"[A-Za-z0-9._-]+==[^ ;]+( ;|$)", head), head
        assert re.match(r"sha256:[0-9a-f]{64}", hashes), head


@pytest.mark.parametrize("name", LOCKS)
def test_a_lock_names_no_host_and_no_folder(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    assert not re.search(r"https?:|file:|--(extra-)?index-url|--find-links|@ ", text)


def test_the_developers_lock_holds_all_of_the_other() -> None:
    developers = requirements(LOCKS[1])
    for head, hashes in requirements(LOCKS[0]).items():
        # For the developers a package may be wanted on more systems: then its marker is gone.
        wider = head.partition(" ;")[0]
        assert hashes in (developers.get(head), developers.get(wider)), f"{head}: renew the locks"


def test_the_locks_hold_what_the_package_asks_for() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for name, asked in (
        (LOCKS[0], settings["dependencies"]),
        (LOCKS[1], settings["optional-dependencies"]["dev"]),
        (LOCKS[1], settings["optional-dependencies"]["bench"]),
    ):
        locked = {head.split("==")[0] for head in requirements(name)}
        for need in asked:
            assert re.split(r"[>=<~!\[; ]", need)[0].lower() in locked, f"{need}: renew {name}"


# The guides


def paragraphs(name: str) -> list[str]:
    """Paragraphs of a guide, each on one line."""
    text = (ROOT / name).read_text(encoding="utf-8")
    return [" ".join(part.split()) for part in text.split("\n\n")]


def test_the_readme_begins_with_the_job() -> None:
    title, first = paragraphs("README.md")[:2]
    assert title.startswith("# ")
    for word in ("mould", "red rot", "digitis", "grant", "forecast"):
        assert word in first, word


@pytest.mark.parametrize("caution", CAUTIONS, ids=lambda text: text[:20])
def test_the_readme_holds_each_caution_word_for_word(caution: str) -> None:
    assert any(caution in part for part in paragraphs("README.md"))


def test_the_readme_states_every_rule_of_the_workflow() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [f"R{n}" for n in range(1, 21) if f"**R{n} " not in text] == []


def test_the_readme_explains_every_command_of_the_script(script: ModuleType) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [name for name, _ in script.COMMANDS if f"run.py {name}" not in text] == []


def test_the_readme_explains_every_option_of_the_command_line() -> None:
    source = (ROOT / "forecast" / "cli.py").read_text(encoding="utf-8")
    options = set(re.findall(r'add_argument\(\s*"(--[a-z-]+)"', source))
    assert len(options) >= 8
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert sorted(option for option in options if not re.search(rf"`[^`]*{option}\b", text)) == []


@pytest.mark.parametrize("name", COLUMNS)
def test_the_readme_explains_every_file_and_column(name: str) -> None:
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    begin = next(n for n, line in enumerate(lines) if line.startswith(f"| **{name}**"))
    table = [lines[begin]]
    for line in lines[begin + 1 :]:
        if not line.startswith("| |"):
            break
        table.append(line)
    told = set(re.findall(r"\w+", " ".join(line.split("|")[2] for line in table)))
    required, optional = COLUMNS[name]
    assert told >= {*required, *optional}


def test_links_between_the_guides_lead_somewhere() -> None:
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        heads = {
            re.sub(r"[^\w -]", "", head.lower()).strip().replace(" ", "-")
            for head in re.findall(r"^#+ (.*)$", text, re.MULTILINE)
        }
        for link in re.findall(r"\]\(([^)]+)\)", text):
            if link.startswith("#"):
                assert link[1:] in heads, f"{name}: {link}"
            elif not link.startswith("http"):
                assert (ROOT / link.split("#")[0]).exists(), f"{name}: {link}"


# What no tracked file may hold


def tracked() -> list[Path]:
    """Files that are kept under version control."""
    git = shutil.which("git")
    if git is None or not (ROOT / ".git").exists():
        pytest.skip("this is not a checkout, or there is no git")
    listed = subprocess.run(
        [git, "-C", str(ROOT), "ls-files", "-z"], capture_output=True, text=True, check=True
    )
    return [ROOT / name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]


def test_no_tracked_file_names_a_folder_of_somebodys_machine() -> None:
    # Written so that this file does not hold what it looks for.
    names = ["/ro" + "ot/", "/wo" + "rk/", "/ho" + r"me/(?!me/)\w", r"[A-Z]:\\Us" + "ers"]
    folders = "|".join(names)
    for path in tracked():
        text = path.read_bytes().decode("utf-8", "replace")
        found = re.search(rf"(?<![\w.])(?:{folders})", text)
        assert not found, f"{path.relative_to(ROOT)}: {found}"


def test_notebooks_are_kept_without_outputs_of_a_run() -> None:
    for path in tracked():
        # A worked example among the tests is kept with its outputs: they are what is compared.
        if path.suffix == ".ipynb" and path.parent.name == "notebooks":
            cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
            assert not any(cell.get("outputs") for cell in cells), path.name
