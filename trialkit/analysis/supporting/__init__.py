"""What stands beside the tests."""
