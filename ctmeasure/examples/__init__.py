"""Short programs that use the library on the shipped samples: `python -m ctmeasure.examples.judge_a_scan`."""
