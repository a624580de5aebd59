"""The installation: its record, the rules it is held against, and the calculations behind them."""
