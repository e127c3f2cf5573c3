"""`python -m buswright.simulate --write FOLDER` writes the example files, for the maintainers of the project."""

import argparse
from pathlib import Path

from buswright.simulate.examples import write_example_files

parser = argparse.ArgumentParser(prog="python -m buswright.simulate", description="Write the example files.")
parser.add_argument("--write", type=Path, required=True, metavar="FOLDER", help="folder that gets the files")
write_example_files(parser.parse_args().write)
