"""Places: positions, sites, exits, light and tide."""
