"""Pure grading of peaches and nectarines: no files, sockets, clocks or randomness."""
