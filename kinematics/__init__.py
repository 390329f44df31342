"""The mechanism: what the engine is, how it moves, how it is set. numpy, scipy and the standard library only."""
