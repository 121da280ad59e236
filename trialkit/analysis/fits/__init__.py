"""The tests of every response, and what is known of the means behind control."""
