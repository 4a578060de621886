"""The blocks of an axis: one block, one file; they meet in ``axis.py`` by signal name."""
