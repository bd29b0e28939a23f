"""Speaking to message providers, outwards and inwards; one set of files per wire format."""
