"""The tests of every response, and the draws behind control."""
