"""Programs that build on the monitor, to copy from; tests/test_examples.py runs them."""
