"""Statistics of designed experiments; knows nothing of pests."""
