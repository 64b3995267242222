"""One plan in a process of its own: `python -m kitplan.desk.worker UNIT OUT`. Says what it does, a line of JSON each.

A process can be ended at once, whatever a solver is at, and leaves nothing half written.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path


def _say(**what: object) -> None:
    print(json.dumps(what), flush=True)


def main(unit_path: str, out: str) -> None:
    """Plan a unit into a folder. Ends with a line {"end": "done" | "faults" | "refused" | "defect", ...}."""
    from kitplan.interruptions import begin_process

    begin_process(quiet=True)
    import kitplan

    try:
        _say(doing="Reading")
        unit = kitplan.load_unit(Path(unit_path))
        plan = kitplan.plan(unit, progress=lambda phrase: _say(doing=phrase))
        _say(doing="Writing workbooks, tables and prints")
        plan.save(out)
    except kitplan.InputError as error:
        _say(end="faults", text=str(error))
    except (kitplan.UnsafePlan, OSError) as error:
        _say(end="refused", text=str(error))
    except Exception as error:  # told on the page as what it is: a defect
        _say(end="defect", text=f"{type(error).__name__}: {error}")
    else:
        _say(end="done")


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
