"""The demo: everything on one machine, with an invented club, practice phones, and a clock that may run faster."""
