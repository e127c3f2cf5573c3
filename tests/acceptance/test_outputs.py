"""Results are whole whatever happens: hundreds of faults and kills over every command that writes."""

import os
import random

import pytest

from tests.cli.outputs import WRITING, Output, runner

pytestmark = [pytest.mark.acceptance, pytest.mark.skipif(not hasattr(os, "fork"), reason="needs forked children")]

EACH = 30
"""Tries for each command, of which a third are kills at any moment of the clock."""


@pytest.mark.parametrize("name", WRITING)
def test_a_fault_or_a_kill_leaves_the_old_result_or_the_new_one(name, tmp_path):
    rng = random.Random(f"{name} {os.environ.get('SEED', '1')}")
    with runner(tmp_path) as run:
        output = Output(name, tmp_path, run)
        tries = [*output.tries(rng, EACH - EACH // 3)]
        tries += [("later", rng.uniform(0, output.seconds), True) for _ in range(EACH // 3)]
        wrong = [said for kind, at, over in tries if (said := output.tried(kind, at, over=over))]
    assert not wrong, "\n".join(wrong)
