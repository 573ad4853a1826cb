"""The scripts that make reference values are run by hand, and loaded by the tests that need their data sets."""

collect_ignore_glob = ["*/*.py"]
