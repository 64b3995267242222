"""The same demand looked at over time: forecast, variance, training, simulation."""
