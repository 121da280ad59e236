"""Several trials: estimates with known errors pooled, and means analysed over environments."""
