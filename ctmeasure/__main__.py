"""``python -m ctmeasure``."""

from ctmeasure.cli import main

raise SystemExit(main())
