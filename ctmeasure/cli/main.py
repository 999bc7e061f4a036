"""Run a command; its exit code: 0 ran, 1 ran with attention, 2 could not run, 130 cancelled."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Sequence

from ctmeasure.errors import Cancelled, CtmeasureError

RAN, ATTENTION, COULD_NOT_RUN, CANCELLED = 0, 1, 2, 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point of ``ctmeasure``.

    Parameters
    ----------
    arguments
        Command-line words; those of the process when None.

    Returns
    -------
    int
        The exit code.

    Raises
    ------
    SystemExit
        Never; the caller exits with the code.
    """
    from ctmeasure.cli.commands import run_command

    # what the DICOM library thinks of a file's damage is said in one line of ours, or is of no use to the reader
    warnings.filterwarnings("ignore", module=r"pydicom\b")
    try:
        return run_command(list(sys.argv[1:] if arguments is None else arguments))
    except (KeyboardInterrupt, Cancelled):
        print("cancelled; nothing was written", file=sys.stderr)
        return CANCELLED
    except BrokenPipeError:
        return COULD_NOT_RUN
    except CtmeasureError as error:
        return _refuse(str(error))
    except Exception as error:  # a bug is said in one line too; a traceback helps no surgeon
        return _refuse(f"unexpected {type(error).__name__}: {error}; please report it with the command you gave")


def _refuse(message: str) -> int:
    print("ctmeasure: " + " ".join(message.split()), file=sys.stderr)
    return COULD_NOT_RUN
