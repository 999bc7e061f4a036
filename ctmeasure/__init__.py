"""ctmeasure: temporal-bone measurement on CT. Research and education software, not a medical device."""

__version__ = "0.1.0"
