"""trialkit: small-plot efficacy trials, from plot counts to a report."""
