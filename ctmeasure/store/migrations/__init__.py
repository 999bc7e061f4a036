"""Schema migrations, run when a store is opened."""
