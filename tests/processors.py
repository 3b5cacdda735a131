"""Run what prints numbers as on other processors: ``python tests/processors.py [SETTING ...]``; without names, on all.

Notebooks, gallery and the numbers of a seed are compared with what is stored. NumPy is kept from newer instructions,
OpenBLAS computes with the kernels of other processors, and there are one or two threads. What this processor lacks is
left out, and OpenBLAS is left alone if the environment has already chosen its kernels.
"""

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
COMPARED = ("notebooks", "tests/test_gallery.py", "tests/test_same_seed.py")
AVX512 = ("AVX512", "X86_V4")  # as old and new versions of NumPy name them
AVX2 = ("AVX2", "FMA3", "X86_V3")
KERNELS = "OPENBLAS_CORETYPE"


def settings():
    """Return the variables of each setting by its name, as far as this processor and NumPy have what they name."""
    there = np.show_config(mode="dicts")["SIMD Extensions"].get("found", [])
    newest = [name for name in there if name.startswith(AVX512)]
    newer = [*newest, *(name for name in there if name in AVX2)]
    known = {
        "plain": threads(1),
        "no-avx512": without(newest) | threads(2),
        "no-avx2": without(newer) | threads(1),
        "Nehalem": without(newer) | threads(2) | {KERNELS: "Nehalem"},
        "Haswell": without(newest) | threads(1) | {KERNELS: "Haswell"},
        "SkylakeX": threads(2) | {KERNELS: "SkylakeX"},
    }
    lacking = {name for name, needed in (("Haswell", newer), ("SkylakeX", newest)) if not needed}
    chosen = {name for name, variables in known.items() if KERNELS in variables and KERNELS in os.environ}
    return {name: variables for name, variables in known.items() if name not in lacking | chosen}


def threads(number):
    """Return that linear algebra may use so many threads."""
    return {"OPENBLAS_NUM_THREADS": str(number)}


def without(features):
    """Return that NumPy may not use these instructions."""
    return {"NPY_DISABLE_CPU_FEATURES": " ".join(features)} if features else {}


def main():
    known = settings()
    if unknown := set(sys.argv[1:]) - set(known):
        sys.exit(f"{', '.join(sorted(unknown))}: not on this machine. Name some of {', '.join(known)}.")
    failed = []
    for name in sys.argv[1:] or known:
        print(f"{name}: {' '.join(f'{key}={value!r}' for key, value in known[name].items())}", flush=True)
        began = time.perf_counter()
        command = [sys.executable, "-m", "pytest", "-q", "--no-header", *COMPARED]
        done = subprocess.run(command, cwd=ROOT, env=os.environ | known[name], check=False)
        took = time.perf_counter() - began
        print(f"{name}: {'differs' if done.returncode else 'the same'}, {took:.0f} s", flush=True)
        failed += [name] if done.returncode else []
    if failed:
        sys.exit(f"What is printed differs under {', '.join(failed)}.")


if __name__ == "__main__":
    main()
