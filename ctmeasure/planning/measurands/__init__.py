"""Every measurand of the vocabulary on one joint set of draws. Entry: `measure` in the module of that name."""
