"""The forecast alone, without the months that it was drawn from."""

from kitplan.parts.forecast.months_ahead import forecast_and_sampled


def forecast_unit(unit, **asked):
    return forecast_and_sampled(unit, **asked)[0]
