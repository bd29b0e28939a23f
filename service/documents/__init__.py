"""Documents for people and machines outside: sketch, pack and site files, made from values of the heart."""
