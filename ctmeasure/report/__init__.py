"""The report: pictures, one HTML file, a tagged PDF, CSV tables and plan.json, all from one immutable case."""
