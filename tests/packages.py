"""Build the package, look into it, install it into empty environments, and run the main job in each.

``python tests/packages.py [PYTHON ...]``: without names, every Python from 3.11 on that is found, the oldest first. The
first environment holds the oldest versions of all that pyproject.toml names, the others the newest; in the first and
the last, all tests are collected, and those are run that a version can change. It needs `build`, and a package index.
"""

import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import time
import tomllib
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
VERSIONS = [f"3.{minor}" for minor in range(11, 30)]
LOWEST = re.compile(r"([\w.-]+)>=([\w.]+)")
EXTRAS = ("cluster", "notebooks", "test")
TESTS = ("forecast", "tests/io/test_hostile.py", "tests/io/test_xlsx.py", "tests/records/test_records.py",
         "tests/words", "tests/charts", "tests/test_results.py", "tests/test_same_seed.py",
         "tests/test_gallery.py")  # fmt: skip
NOT_NEEDED = {"jupyterlab", "ipykernel", "ipython", "notebook", "anywidget", "pytest"}
SHIPPED = {".py", ".typed", ".js", ".css", ".html", ".ipynb", ".csv"}
KEPT = {"forecast", "notebooks", "demo_data", "tests", ".ci"}  # folders of the source
JUNK = re.compile(r"__pycache__|\.pyc$|_cache/|\.hypothesis|\.ipynb_checkpoints|\.venv|(^|/)(build|dist)/")
JOB = (
    ("start", "ours"),
    ("check", "ours"),
    ("order", str(ROOT / "demo_data"), "--draws", "256", "--out", "orders"),
    ("report", "ours", "--draws", "128", "--out", "order.html"),
)
WRITTEN = ("ours/season.toml", "ours/running/season.toml", "orders/orders.csv", "order.html")


def main():
    pythons = sys.argv[1:] or [
        found for found in (shutil.which(f"python{v}") for v in VERSIONS) if found and runs(found)
    ]
    if not pythons:
        sys.exit("No Python was found; name one.")
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        run([sys.executable, "-m", "build", str(ROOT), "--outdir", "built"], here)
        (wheel,), (source,) = here.glob("built/*.whl"), here.glob("built/*.tar.gz")
        look_into_wheel(wheel)
        look_into_source(source)
        print(
            f"{wheel.name}: {wheel.stat().st_size / 1000:.0f} kB; {source.name}: {source.stat().st_size / 1000:.0f} kB"
        )
        (here / "oldest.txt").write_text(oldest(), encoding="utf-8")
        kinds = [(pythons[0], True), *((python, False) for python in pythons[1:] or pythons)]
        for i, (python, old) in enumerate(kinds):
            pins = ("-c", str(here / "oldest.txt")) if old else ()
            print(tried(python, wheel, here / str(i), pins), flush=True)
            if old or i == len(kinds) - 1:
                print(tested(wheel, here / str(i), pins), flush=True)


def oldest():
    """Return the oldest version of all that the package and its tests depend on, as constraints."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    named = [*project["dependencies"], *(one for extra in EXTRAS for one in extras[extra])]
    return "".join(f"{found[1]}=={found[2]}\n" for found in map(LOWEST.match, named) if found)


def runs(python):
    """Say whether a Python starts: what stands under its name may only stand for it."""
    return subprocess.run([python, "-c", "import venv"], capture_output=True, check=False).returncode == 0


def run(command, folder):
    """Run a command in a folder; end with what it said if it fails."""
    done = subprocess.run(command, cwd=folder, capture_output=True, encoding="utf-8", errors="replace", check=False)
    if done.returncode:
        sys.exit(f"{' '.join(map(str, command))}\n{done.stdout}\n{done.stderr}")
    return done.stdout


def check(found, target, what):
    """End unless what was found is what is wanted."""
    if found != target:
        sys.exit(f"{what}: too much {sorted(found - target)}, lacking {sorted(target - found)}")


def look_into_wheel(wheel):
    """A wheel holds every file of the package, and the notebooks that `start` copies."""
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
    package = {path.relative_to(ROOT).as_posix() for path in ROOT.glob("forecast/**/*") if path.suffix in SHIPPED}
    notebooks = {f"forecast/notebooks/{path.name}" for path in ROOT.glob("notebooks/*.ipynb")}
    check(names, package | notebooks, "The wheel")


def look_into_source(source):
    """A source distribution holds all that its own tests need, and nothing that was made while working."""
    with tarfile.open(source) as archive:
        names = {name.split("/", 1)[1] for name in archive.getnames()}
    top = {path.name for path in ROOT.iterdir() if path.is_file() and path.suffix in (".md", ".toml", "")}
    there = {path.relative_to(ROOT).as_posix() for part in KEPT for path in (ROOT / part).rglob("*") if path.is_file()}
    check(names, {name for name in there | top if not JUNK.search(name)} | {"PKG-INFO"}, "The source distribution")


def tried(python, wheel, folder, pins):
    """Install a wheel into an empty environment of a Python, run the main job in it, and say how that went."""
    began = time.perf_counter()
    folder.mkdir()
    run([python, "-m", "venv", "environment"], folder)
    own = python_of(folder)
    run([own, "-m", "pip", "install", "-q", "--no-compile", wheel, *pins], folder)
    installed = time.perf_counter() - began
    packages = run([own, "-m", "pip", "list", "--format=freeze"], folder).lower().split()
    unneeded = {package.split("==")[0] for package in packages} & NOT_NEEDED
    check(unneeded, set(), "Packages")
    run([own, "-m", "pip", "check"], folder)
    times = []
    for _ in range(3):
        began = time.perf_counter()
        run([own, "-c", "import forecast"], folder)
        times.append(time.perf_counter() - began)
    began = time.perf_counter()
    for command in JOB:
        run([own, "-m", "forecast", *command], folder)
    worked = time.perf_counter() - began
    check({name for name in WRITTEN if (folder / name).is_file()}, set(WRITTEN), "Files")
    version = run([own, "-c", "import platform; print(platform.python_version())"], folder).strip()
    return (
        f"Python {version}, {'oldest' if pins else 'newest'}: {len(packages)} packages installed in {installed:.0f} s, "
        f"imported in {min(times):.2f} s, main job in {worked:.0f} s."
    )


def tested(wheel, folder, pins):
    """Add what tests need to an environment, collect all of them, run those of TESTS, and say how that went."""
    own, began = python_of(folder), time.perf_counter()
    run([own, "-m", "pip", "install", "-q", f"{wheel}[test]", *pins], folder)
    run([own, "-m", "pip", "check"], folder)
    collected = run([own, "-m", "pytest", "--collect-only", "-q", "-n", "0"], ROOT).strip().splitlines()[-1]
    passed = run([own, "-m", "pytest", "-q", *TESTS], ROOT).strip().splitlines()[-1]
    return f"{collected}; {passed} (with installation {time.perf_counter() - began:.0f} s)"


def python_of(folder):
    """Return the Python of the environment in a folder."""
    return next(path for path in (folder / "environment").glob("*/python*") if path.stem == "python")


if __name__ == "__main__":
    main()
