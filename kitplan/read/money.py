"""Amounts of money as a person reads them, with cents where the currency has any."""

from __future__ import annotations

_NO_CENTS = ("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI", "VND", "VUV", "XAF",
             "XOF", "XPF")
"""Currencies whose minor unit is none [ISO 4217, from memory]."""


def has_cents(currency: str) -> bool:
    """Whether amounts in this currency have two decimals: in all that are not known to have none."""
    return currency.upper() not in _NO_CENTS


def figure(amount: float, currency: str, sign: str = "") -> str:
    """1,234.50, or 1,234 where the currency has no cents. sign: "+" for a difference."""
    return f"{amount:{sign},.{2 if has_cents(currency) else 0}f}"


def exact(amount: float, currency: str, sign: str = "") -> str:
    """1,234.50 USD, or 1,234 JPY. sign: as in `figure`."""
    return f"{figure(amount, currency, sign)} {currency}"


def money(amount: float, currency: str) -> str:
    """An amount where cents matter little: 1,234 USD; with cents below 100."""
    return f"{amount:,.0f} {currency}" if abs(amount) >= 100 else exact(amount, currency)
