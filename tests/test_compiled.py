"""What is compiled is kept, and never runs in place of what stands in the sources."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from forecast import compiled

PACKAGE = Path(compiled.__file__).parent

# A function that calls a rule from another file, as the engine does.
PROBE = """
import sys
from forecast import compiled, rules
kind_of = compiled.part(rules.kind_of)

@compiled.entry
def ask(stage, mould):
    return kind_of(stage, mould, False, False, False)

compiled.first_use(lambda: ask(4, 1))
print(ask(4, 1), sum(ask.stats.cache_hits.values()), sum(ask.stats.cache_misses.values()))
"""


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the package beside a script."""
    shutil.copytree(PACKAGE, tmp_path / "forecast", ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "probe.py").write_text(PROBE, encoding="utf-8")
    return tmp_path


def probe(folder: Path, cache: Path) -> tuple[list[int], str]:
    """What the script printed, in a process of its own, and what it said besides."""
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(cache), "PYTHONDONTWRITEBYTECODE": "1"}
    environment["PYTHONPATH"] = str(folder)
    done = subprocess.run(
        [sys.executable, "probe.py"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return [int(word) for word in done.stdout.split()], done.stderr


def test_an_edited_rule_runs_in_the_next_process(copy: Path) -> None:
    cache = copy / "cache"
    assert probe(copy, cache)[0] == [0, 0, 1]  # mouldy, and compiled
    assert probe(copy, cache)[0] == [0, 1, 0]  # from the cache
    rules = copy / "forecast" / "rules.py"
    before = rules.read_text(encoding="utf-8")
    after = before.replace("if mould != 0:", "if mould == 7:")
    assert after != before
    rules.write_text(after, encoding="utf-8")
    assert probe(copy, cache)[0] == [2, 0, 1]  # by the new rule it is clean


def test_the_first_use_is_announced_once(copy: Path) -> None:
    assert "Preparing the model for this computer: once" in probe(copy, copy / "cache")[1]
    assert probe(copy, copy / "cache")[1] == ""


def test_nothing_is_written_into_an_installation(copy: Path) -> None:
    before = sorted((copy / "forecast").rglob("*"))
    probe(copy, copy / "cache")
    assert sorted((copy / "forecast").rglob("*")) == before
    assert any((copy / "cache").rglob("*.nbi"))


def test_where_no_cache_can_be_written_it_is_compiled_each_time(copy: Path) -> None:
    in_the_way = copy / "cache"
    in_the_way.write_text("a file, not a folder", encoding="utf-8")
    for _ in range(2):
        numbers, said = probe(copy, in_the_way)
        assert numbers[0] == 0
        assert "each time" in said
        assert "NUMBA_CACHE_DIR" in said


@pytest.mark.parametrize("name", compiled.SOURCES)
def test_every_compiled_source_is_part_of_the_edition(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = compiled._edition()
    shutil.copytree(PACKAGE, tmp_path / "forecast", ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(compiled, "__file__", str(tmp_path / "forecast" / "compiled.py"))
    before = compiled._edition()
    assert before != elsewhere
    assert before == compiled._edition()
    with (tmp_path / "forecast" / f"{name}.py").open("a", encoding="utf-8") as file:
        file.write("# a remark\n")
    assert compiled._edition() != before


@pytest.mark.parametrize("what", ["numba.__version__", "np.__version__", "sys.version"])
def test_another_version_has_another_edition(what: str, monkeypatch: pytest.MonkeyPatch) -> None:
    before = compiled._edition()
    monkeypatch.setattr(f"forecast.compiled.{what}", "another")
    assert compiled._edition() != before


def test_editions_that_nobody_used_for_long_are_cleared_away(tmp_path: Path) -> None:
    for name, days in (("old", 61), ("new", 1), ("current", 99)):
        (tmp_path / f"compiled-{name}").mkdir()
        used = tmp_path / f"compiled-{name}" / "used"
        used.touch()
        then = time.time() - days * 86_400
        os.utime(used, (then, then))
    (tmp_path / "compiled-foreign").mkdir()  # without a mark it is not ours
    compiled._clear_away_old(tmp_path, tmp_path / "compiled-current")
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {"compiled-new", "compiled-current", "compiled-foreign"}
