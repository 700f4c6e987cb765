"""The page of a station: what is scanned there acts."""
