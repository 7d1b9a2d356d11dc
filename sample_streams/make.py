"""Makes the samples anew: ``python sample_streams/make.py [DIR]``. Same seed, same bytes."""

import sys
from pathlib import Path

from stream.demo.scenario import own_line, shared_analyzer
from stream.demo.write import write_station


def main() -> None:
    """Write both stations beside this file, or into the folder that is named."""
    here = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    for scenario in (own_line(), shared_analyzer()):
        print(write_station(scenario, here / scenario.id))


if __name__ == "__main__":
    main()
