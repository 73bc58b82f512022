"""R as an independent second opinion: `run_r("list(mean = mean(x))", x=[1, 2])` gives `{"mean": 1.5}`."""

import json
import shutil
import subprocess
from functools import cache
from typing import Any

from tests.conftest import server_missing

RSCRIPT = shutil.which("Rscript")


def run_r(code: str, *packages: str, **inputs: Any) -> dict[str, Any]:
    """Value of R code that ends in a named list; inputs are R variables (numbers, texts, flat lists of them).

    Skips loudly where R, jsonlite or one of the packages is missing; fails instead where every server is
    required.
    """
    if RSCRIPT is None:
        server_missing("no Rscript (Debian: r-base-core, r-cran-jsonlite)")
    missing = _missing("jsonlite", *packages)
    if missing:
        server_missing(f"R lacks {', '.join(missing)} (Debian: r-cran-…)")
    program = "\n".join(
        [
            'inputs <- jsonlite::fromJSON(paste(readLines(file("stdin")), collapse = ""))',
            "invisible(list2env(inputs, environment()))",
            f"answer <- {{\n{code}\n}}",
            'cat(jsonlite::toJSON(answer, digits = NA, auto_unbox = TRUE, na = "null"))',
        ]
    )
    answer: dict[str, Any] = json.loads(_rscript(program, given=json.dumps(inputs)))
    return answer


@cache
def _missing(*packages: str) -> list[str]:
    program = "cat(sapply(commandArgs(TRUE), requireNamespace, quietly = TRUE))"
    there = _rscript(program, arguments=packages).split()
    return [name for name, is_there in zip(packages, there, strict=True) if is_there != "TRUE"]


def _rscript(program: str, given: str = "", arguments: tuple[str, ...] = ()) -> str:
    assert RSCRIPT is not None
    done = subprocess.run(
        [RSCRIPT, "--vanilla", "-e", program, *arguments],
        input=given,
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
