"""Coverage-guided fuzzing of every decoder; needs ``pip install atheris``.

    python tests/fuzz/run.py --seconds 60              # each decoder for so long
    python tests/fuzz/run.py --seconds 60 --only rows

Prints how many inputs were tried; a crash is printed with the bytes that made it.
"""

import argparse
import re
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
ONE = """
import sys
sys.path[:0] = [{tests!r}, {here!r}]
import atheris
with atheris.instrument_imports(include=["stream"]):
    import decoders
atheris.Setup(sys.argv, decoders.DECODERS[{name!r}])
atheris.Fuzz()
"""


def fuzz(name: str, seconds: int, seeds: list[bytes]) -> tuple[int, str]:
    """Fuzz one decoder in a process of its own: inputs tried, and what broke."""
    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(folder)
        for i, seed in enumerate(seeds):
            (corpus / f"seed{i}").write_bytes(seed)
        program = ONE.format(tests=str(HERE.parent / "support"), here=str(HERE), name=name)
        words = [
            sys.executable,
            "-c",
            program,
            f"-max_total_time={seconds}",
            "-max_len=2048",
            "-timeout=20",
        ]
        done = subprocess.run(
            [*words, f"-artifact_prefix={folder}/", "-print_final_stats=1", folder],
            capture_output=True, text=True, errors="replace",
        )  # fmt: skip
    (tried,) = re.findall(r"number_of_executed_units: (\d+)", done.stderr) or ["0"]
    broke = done.stdout[-3000:] + done.stderr[-1500:] if done.returncode else ""
    return int(tried), broke


def main() -> int:
    """Fuzz all, or one."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--only")
    options = parser.parse_args()
    sys.path[:0] = [str(HERE.parent / "support"), str(HERE)]
    from decoders import DECODERS, SEEDS

    total = 0
    for name in DECODERS:
        if options.only in {None, name}:
            tried, broke = fuzz(name, options.seconds, SEEDS[name])
            total += tried
            print(f"{name:10s} {tried:9,d} inputs{': BROKEN' if broke else ''}", flush=True)
            if broke:
                print(broke)
                return 1
    print(f"{'all':10s} {total:9,d} inputs, none broke a decoder")
    return 0


if __name__ == "__main__":
    sys.exit(main())
