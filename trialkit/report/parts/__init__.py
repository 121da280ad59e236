"""Composing functions: each makes the blocks of one question, or none where there is nothing."""
