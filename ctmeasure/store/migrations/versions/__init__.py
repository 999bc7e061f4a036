"""One file a schema change, each naming the one before it; none is ever edited after it has been used."""
