"""What may be claimed: one test a question, questions held together, days and pairs behind them."""
