"""Everything from a bare checkout: sets up what is missing, then does what was asked.

Run it with any Python of at least 3.11 (on Windows: ``py run.py``); alone it shows a menu. It uses
the standard library only, and keeps all it installs in the folder ``.venv`` beside it.

Old Pythons must be able to read this file to the end, so that they can say what is missing: no
syntax newer than Python 3.6, and annotations that only newer ones could evaluate stand in quotes.
"""

import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from types import SimpleNamespace
from typing import IO, Iterable, Iterator

OLDEST = (3, 11)
ROOT = os.path.dirname(os.path.abspath(__file__))

RUN_LOCK = "requirements.lock"
DEV_LOCK = "requirements-dev.lock"

# Both are names in the folder .venv. The first says that this script made the folder, so that it
# may remove it; the second is written last, so that a half-made environment is never believed.
MADE_HERE = "made-by-run-py.txt"
STAMP = "ready.json"
LOG = "set-up.log"

STOPPED = 130  # what a shell reports for a command that Ctrl-C ended
CTRL_C_ON_WINDOWS = 0xC000013A

COMMANDS = (
    ("demo", "forecast an invented project, and say where the page is"),
    ("forecast", "the command line: forecast new, check, schedule, trace (try: forecast --help)"),
    ("lab", "try out staffing plans in JupyterLab, and the other notebooks; this machine only"),
    ("test", "run the tests"),
    ("check", "run lint and type checks"),
    ("bench", "measure speed, memory and ratios, in about four minutes"),
    ("calibrate", "measure how far forecasts may be believed, in some hours (try: --quick)"),
)

# They need the developers' lock: the tools, and an outside yardstick for the bench.
FOR_DEVELOPERS = ("test", "check", "bench")

# What simulates, and what that needs: installed first, so that the model can be compiled for this
# computer while the rest (charts, notebooks) is fetched and unpacked, which takes about as long.
FIRST = (
    "colorama",
    "holidays",
    "llvmlite",
    "numba",
    "numpy",
    "platformdirs",
    "python-dateutil",
    "scipy",
    "simpy",
    "six",
    "tqdm",
)
FIRST_LOCK = "first.lock"  # in the folder .venv
PREPARE = (
    "from pathlib import Path; from forecast import replicate; from forecast.folder import "
    "read_project; replicate.prepare(read_project(Path('scenario_data', 'demo')))"
)

# JupyterLab asks at its first start whether it may fetch news from outside. It may not.
LAB_OVERRIDES = {
    "@jupyterlab/apputils-extension:notification": {
        "fetchNews": "false",
        "checkForUpdates": False,
    },
    # Else what is typed into a form and the click that follows are handled by two threads of the
    # notebook's Python, and the click may come first.
    "@jupyterlab/apputils-extension:kernels-settings": {"commsOverSubshells": "disabled"},
}


class SetUpError(Exception):
    """The set-up cannot go on. The text says why, and what to do."""


def too_old(version: "tuple[int, ...]") -> str:
    """A plain sentence for a Python that is too old, or nothing."""
    if tuple(version[:2]) >= OLDEST:
        return ""
    return (
        "This needs Python %d.%d or newer, and was started with Python %d.%d. Install a newer one "
        "and start it with that, for example: python3.11 run.py demo (Windows: py -3.11 run.py "
        "demo)." % (OLDEST + tuple(version[:2]))
    )


def places(root: str, windows: bool) -> SimpleNamespace:
    """Where things are in the environment of a checkout; Windows has its own layout."""
    # The other system's separator would not do when a test asks about the other system.
    import ntpath
    import posixpath

    path = ntpath if windows else posixpath
    venv = path.join(root, ".venv")
    python = ("Scripts", "python.exe") if windows else ("bin", "python")
    return SimpleNamespace(
        root=root,
        venv=venv,
        python=path.join(venv, *python),
        made_here=path.join(venv, MADE_HERE),
        stamp=path.join(venv, STAMP),
        log=path.join(venv, LOG),
        overrides=path.join(venv, "share", "jupyter", "lab", "settings", "overrides.json"),
    )


def locks_for(dev: bool) -> "list[str]":
    """The locks to install: the second holds all of the first, and the developers' tools."""
    return [DEV_LOCK] if dev else [RUN_LOCK]


def checksum(root: str) -> str:
    """One checksum of everything that says what to install, and how.

    pyproject.toml does not: what it asks for is in the locks, and a test sees that it is.
    """
    digest = hashlib.sha256()
    for name in (RUN_LOCK, DEV_LOCK, "run.py"):
        with open(os.path.join(root, name), "rb") as file:
            # Git may have turned line ends round; that is no change.
            content = file.read().replace(b"\r\n", b"\n")
        digest.update(b"%s %d\n" % (name.encode(), len(content)))
        digest.update(content)
    return digest.hexdigest()


def wanted_stamp(root: str, dev: bool) -> "dict[str, object]":
    """What the stamp of a good environment says."""
    return {
        "checksum": checksum(root),
        "python": sys.version,
        # An environment holds absolute paths: in a folder that was moved it is of no use.
        "place": os.path.normcase(os.path.realpath(root)),
        "dev": dev,
    }


def read_stamp(path: str) -> "dict[str, object]":
    """The stamp of an environment; empty where there is none, or none that can be read."""
    try:
        with open(path, encoding="utf-8") as file:
            stamp = json.load(file)
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def what_to_do(found: "dict[str, object]", wanted: "dict[str, object]") -> str:
    """``nothing``, ``add`` the developers' tools, or ``make`` the environment anew."""
    same = all(found.get(key) == wanted[key] for key in ("checksum", "python", "place"))
    if not same:
        return "make"
    # The developers' environment holds everything that a run needs.
    return "nothing" if found.get("dev") or not wanted["dev"] else "add"


def environment() -> "dict[str, str]":
    """The environment variables for what is started: nothing of another Python leaks in."""
    unwanted = {"PYTHONHOME", "PYTHONPATH", "PIP_TARGET", "PIP_PREFIX", "PIP_ROOT"}
    unwanted |= {"PIP_CONSTRAINT", "PIP_REQUIREMENT", "PIP_NO_DEPS", "PIP_NO_BINARY"}
    # Nothing is compiled when it is installed, so what is imported must be kept compiled.
    unwanted.add("PYTHONDONTWRITEBYTECODE")
    kept = {key: value for key, value in os.environ.items() if key not in unwanted}
    kept.update(
        PIP_USER="0",
        PIP_NO_INPUT="1",
        PIP_DISABLE_PIP_VERSION_CHECK="1",
        JUPYTER_PREFER_ENV_PATH="1",
        # The command line shows people commands to go on with: such as they can type.
        FORECAST_COMMAND=started_with() + " forecast",
        PYTHONUTF8="1",
    )
    return kept


def say(text: str) -> None:
    """Tell people something now, also where output is collected."""
    print(text, flush=True)


def succeeds(command: "list[str]") -> bool:
    """Whether a command can be started and says that all went well."""
    try:
        done = subprocess.run(
            command,
            env=environment(),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            check=False,
        )
    except OSError:
        return False
    return done.returncode == 0


def installer(there: SimpleNamespace) -> "list[str]":
    """A command that starts a pip which installs into the environment.

    Debian and its kin ship Python without ensurepip, unless python3-venv is installed. Where this
    Python has a pip of its own, that one can work for the environment instead.
    """
    inside = [there.python, "-I", "-m", "pip"]
    if succeeds([there.python, "-I", "-m", "ensurepip", "--default-pip"]):
        return inside
    outside = [sys.executable, "-m", "pip", "--python", there.python]
    if succeeds([*outside, "--version"]):
        return outside
    raise SetUpError(
        "This Python can make an environment, but has no pip to install anything with.\n"
        "On Debian, Ubuntu and their kin install it with: sudo apt install python3-venv\n"
        "Elsewhere, use a Python from your system's package manager or the official installer."
    )


def packages_in(lock: str) -> int:
    """About how many packages a lock installs (some are for other systems only)."""
    with open(lock, encoding="utf-8") as file:
        return len({line.split("==")[0] for line in file if line[0].isalnum()})


def follow(lines: "Iterable[str]", log: "IO[str]", total: int) -> None:
    """Keep what pip writes, and tell people in words how far it is."""
    found = 0
    for line in lines:
        log.write(line)
        if line.startswith(("Collecting ", "Processing ")):
            found += 1
            if found % 25 == 0:
                say("  %d of about %d packages ..." % (found, total))
        if line.startswith("Installing collected"):
            say("  all are here; installing ...")


def install(
    there: SimpleNamespace, pip: "list[str]", lock: str, options: "tuple[str, ...]" = ()
) -> None:
    """Install a lock. Everything comes as a wheel whose checksum is in the lock."""
    path = os.path.join(there.root, lock)
    # Compiling everything takes a third of the time, and most of it is never imported.
    command = [*pip, "install", "--no-compile", "--only-binary", ":all:", "--require-hashes"]
    running = subprocess.Popen(
        [*command, *options, "-r", path],
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        errors="replace",
    )
    with running, open(there.log, "a", encoding="utf-8") as log:
        try:
            follow(running.stdout or (), log, packages_in(path))
        except BaseException:
            running.kill()
            raise
    if running.returncode:
        with open(there.log, encoding="utf-8") as log:
            last = "".join(log.readlines()[-8:])
        raise SetUpError(
            last + "\nThe packages could not be installed; the lines above are the last that pip "
            "wrote. The first set-up needs the network: check the connection and the proxy, then "
            "start again. Python 3.11 to 3.14 are known to have everything ready-made."
        )


def first_of(lock: "Iterable[str]") -> "list[str]":
    """The lines of a lock about what is to be installed first."""
    lines, wanted = [], False
    for line in lock:
        if line[:1].isalnum():
            wanted = line.split("==")[0] in FIRST
        if wanted:
            lines.append(line)
    return lines


def install_first(there: SimpleNamespace, pip: "list[str]", lock: str) -> None:
    """Install what is needed to compile the model; the whole lock, later, says if that is all."""
    path = os.path.join(there.venv, FIRST_LOCK)
    with open(os.path.join(there.root, lock), encoding="utf-8") as whole:
        lines = first_of(whole)
    with open(path, "w", encoding="utf-8") as file:
        file.writelines(lines)
    install(there, pip, path, ("--no-deps",))


@contextmanager
def preparing(there: SimpleNamespace) -> "Iterator[None]":
    """Compile the model on the side, and wait for it at the end.

    If that fails nothing is lost: whoever simulates first compiles then, and says so.
    """
    running = subprocess.Popen(
        [there.python, "-P", "-c", PREPARE],
        env=environment(),
        cwd=there.root,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield
        if running.poll() is None:
            say("  preparing the model for this computer ...")
        running.wait()
    except BaseException:
        running.kill()
        running.wait()
        raise


def remove(there: SimpleNamespace) -> None:
    """Remove an environment that this script made, and no other."""
    if not os.path.lexists(there.venv):
        return
    if not os.path.exists(there.made_here):
        raise SetUpError(
            "There is a .venv in this folder that this script did not make. Rename or delete "
            "it, then start again:\n  " + there.venv
        )
    try:
        # The stamp goes first and the marker last: what an interruption leaves is never believed,
        # and may still be removed.
        order = {STAMP: -1, MADE_HERE: 1}
        for name in sorted(os.listdir(there.venv), key=lambda name: order.get(name, 0)):
            path = os.path.join(there.venv, name)
            if os.path.isdir(path) and not os.path.islink(path):
                shutil.rmtree(path)
            else:
                os.remove(path)
        os.rmdir(there.venv)
    except OSError as error:
        if isinstance(error.__context__, KeyboardInterrupt):
            raise KeyboardInterrupt from error
        raise SetUpError(
            "The old .venv could not be removed (%s). Close what uses it, such as JupyterLab or "
            "a prompt in which it is activated, then start again." % error
        ) from error


def make(there: SimpleNamespace) -> None:
    """Make an empty environment that finds this checkout's package."""
    os.mkdir(there.venv)
    with open(there.made_here, "w", encoding="utf-8") as file:
        file.write("run.py made this folder and may remove it at any time.\n")
    # Without pip at first: that always works, also where ensurepip is missing.
    if not succeeds([sys.executable, "-m", "venv", "--without-pip", there.venv]):
        raise SetUpError(
            "This Python cannot make an environment (its module venv does not work).\n"
            "On Debian, Ubuntu and their kin install it with: sudo apt install python3-venv"
        )
    # A path relative to site-packages: plain ASCII whatever the checkout's folder is called, which
    # a .pth file with an absolute path is not. Nothing has to be built, so nothing is to download.
    where = "import sysconfig; print(sysconfig.get_path('purelib'))"
    said = subprocess.check_output([there.python, "-I", "-c", where], env=environment())
    site_packages = os.fsdecode(said).strip()
    up = os.path.relpath(os.path.realpath(there.root), os.path.realpath(site_packages))
    with open(os.path.join(site_packages, "forecast-checkout.pth"), "w", encoding="ascii") as file:
        file.write(up + "\n")
    os.makedirs(os.path.dirname(there.overrides))
    with open(there.overrides, "w", encoding="utf-8") as file:
        json.dump(LAB_OVERRIDES, file, indent=2)


def install_all(there: SimpleNamespace, pip: "list[str]", dev: bool) -> None:
    """Install the locks; what is there already is only looked at."""
    for lock in locks_for(dev):
        install(there, pip, lock)


def set_up(there: SimpleNamespace, dev: bool) -> None:
    """Make the environment ready, doing no more than is needed."""
    wanted = wanted_stamp(there.root, dev)
    found = read_stamp(there.stamp) if os.path.exists(there.python) else {}
    todo = what_to_do(found, wanted)
    if todo == "nothing":
        return
    # Being told to end is taken as Ctrl-C is: no installer goes on behind anybody's back.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    say("Setting up in .venv: about a minute with a good network, some hundred megabytes.")
    if todo == "make":
        remove(there)
        make(there)
    else:
        os.remove(there.stamp)  # whatever happens now, it is not ready
    pip = installer(there)
    if todo == "make":
        install_first(there, pip, locks_for(dev)[0])
        with preparing(there):
            install_all(there, pip, dev)
    else:
        install_all(there, pip, dev)
    with open(there.stamp + ".part", "w", encoding="utf-8") as file:
        json.dump(wanted, file, indent=2)
    os.replace(there.stamp + ".part", there.stamp)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    say("Set up.")


def start(there: SimpleNamespace, arguments: "list[str]", folder: "str | None" = None) -> int:
    """Run the environment's Python and wait; its exit code is ours."""
    command = [there.python, *arguments]
    running = subprocess.Popen(command, env=environment(), cwd=folder)
    while True:
        try:
            code = running.wait()
        except KeyboardInterrupt:
            continue  # it has heard Ctrl-C itself, and tidies up or asks in its own way
        if code == CTRL_C_ON_WINDOWS:
            return STOPPED
        return code if code >= 0 else 128 - code  # ended by a signal: as a shell reports it


def hand_over(there: SimpleNamespace, arguments: "list[str]", folder: "str | None" = None) -> int:
    """As :func:`start`, for the last thing to do: where possible, become that process.

    Then signals reach it and not a parent that would have to pass them on.
    """
    if os.name == "nt":
        return start(there, arguments, folder)
    if folder:
        os.chdir(folder)
    sys.stdout.flush()
    os.execve(there.python, [there.python, *arguments], environment())
    return 0  # not reached


def test_arguments(given: "list[str]") -> "list[str]":
    """Arguments for pytest: two processes or a few more, unless told otherwise."""
    told = any(word.startswith(("-n", "--numprocesses", "--pdb")) for word in given)
    spread = [] if told else ["-n", str(max(1, min(os.cpu_count() or 1, 4)))]
    return ["-m", "pytest", *spread, *given]


def check(there: SimpleNamespace) -> int:
    """Lint, then types; both are run, so that one go shows everything."""
    codes = []
    for name, arguments in (("lint", ["ruff", "check", "."]), ("types", ["mypy"])):
        say("Checking %s ..." % name)
        codes.append(start(there, ["-m", *arguments], there.root))
    say("All is well." if not any(codes) else "There is something to put right.")
    return max(codes)


def lab_arguments(root: str, given: "list[str]") -> "list[str]":
    """Arguments for JupyterLab: this machine only, its token on, all of the checkout in sight."""
    here = ["--ServerApp.ip=127.0.0.1", "--ServerApp.root_dir=" + root]
    first = "--LabApp.default_url=/lab/tree/notebooks/staffing_plans.ipynb"
    return ["-m", "jupyterlab", *here, first, *given]


def run(there: SimpleNamespace, command: str, given: "list[str]") -> int:
    """Set up what a command needs, and do it."""
    set_up(there, dev=command in FOR_DEVELOPERS)
    if command == "check":
        return check(there)
    # What users ask for stays in the folder they are in, and -P keeps that folder's files from
    # being taken for modules. What is about the checkout happens in it.
    if command in ("demo", "forecast"):
        name = ["demo"] if command == "demo" else []
        return hand_over(there, ["-P", "-m", "forecast", *name, *given])
    arguments = {
        "lab": lab_arguments(there.root, given),
        "test": test_arguments(given),
        "bench": ["-m", "forecast.bench", *given],
        "calibrate": ["-m", "forecast.calibrate", *given],
    }
    return hand_over(there, arguments[command], there.root)


def started_with() -> str:
    """How people start this script on their system."""
    return "py run.py" if os.name == "nt" else "python3 run.py"


def menu() -> str:
    """What can be done, in words."""
    lines = ["What can be done here:", ""]
    for number, (name, what) in enumerate(COMMANDS, 1):
        lines.append("  %d  %-9s %s" % (number, name, what))
    lines += ["", "Start one with its name, for example: %s demo" % started_with()]
    lines += ["The first time sets everything up in the folder .venv, which needs the network."]
    return "\n".join(lines)


def choice(answer: str) -> str:
    """The command that a number or a name means, or nothing."""
    names = [name for name, _ in COMMANDS]
    answer = answer.strip().lower()
    if answer in names:
        return answer
    if answer.isdigit() and 1 <= int(answer) <= len(names):
        return names[int(answer) - 1]
    return ""


def ask() -> "list[str]":
    """The menu; a person at a terminal is asked, and the answer is what to do."""
    say(menu())
    if not (sys.stdin and sys.stdin.isatty() and sys.stdout.isatty()):
        return []
    answer = input("\nWhich one? (a number or a name; Enter to leave) ").strip()
    return [choice(answer) or answer] if answer else []


def outside_of(there: SimpleNamespace) -> str:
    """The Python behind the environment when that is what runs this script, or nothing.

    From inside, the environment could not be made anew.
    """
    inside = os.path.realpath(sys.prefix) == os.path.realpath(there.venv)
    return getattr(sys, "_base_executable", "") if inside and sys.prefix != sys.base_prefix else ""


def main(arguments: "list[str]") -> int:
    """Do what was asked; alone, show the menu and, to a person, ask."""
    problem = too_old(tuple(sys.version_info[:3]))
    if problem:
        sys.stderr.write(problem + "\n")
        return 1
    there = places(ROOT, windows=os.name == "nt")
    if arguments in (["-h"], ["--help"], ["help"]):
        say(menu())
        return 0
    try:
        if outside_of(there):
            elsewhere = SimpleNamespace(python=outside_of(there))
            return hand_over(elsewhere, [os.path.abspath(__file__), *arguments])
        arguments = arguments or ask()
        if not arguments:
            return 0
        if arguments[0] in [name for name, _ in COMMANDS]:
            return run(there, arguments[0], list(arguments[1:]))
        sys.stderr.write("There is no command %r.\n\n%s\n" % (arguments[0], menu()))
    except SetUpError as error:
        sys.stderr.write("\n%s\n" % error)
        return 1
    except OSError as error:
        sys.stderr.write("\nA file could not be read or written: %s\n" % error)
        return 1
    except (KeyboardInterrupt, EOFError):
        sys.stderr.write("\nStopped. To go on, start it again.\n")
        return STOPPED
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
