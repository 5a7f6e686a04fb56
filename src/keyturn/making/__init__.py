"""Parts to make: flat gaskets from a photo, a scan or callipers to a cut file."""
