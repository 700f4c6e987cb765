"""Lists of master data as CSV files, a kind a file: out as they stand, back in with all that changes shown before."""
