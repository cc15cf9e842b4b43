"""Who, where, when, how much."""

from .bookings import AccessNote, Booking, BookingLine, BookingRequest, Day, DayOff, OpeningHours
from .business import Business, Terms
from .consents import Consent
from .holds import Hold
from .invoices import CreditNote, CreditNoteLine, Invoice, InvoiceLine, NumberSeries, Payment
from .people import Agency, Client, SignInLink, User
from .places import Property
from .prices import PriceItem, PriceList, TaxRate
from .records import Event, Message, MessageAttachment
from .zones import Zone, ZoneWay

__all__ = [
    "AccessNote",
    "Agency",
    "Booking",
    "BookingLine",
    "BookingRequest",
    "Business",
    "Client",
    "Consent",
    "CreditNote",
    "CreditNoteLine",
    "Day",
    "DayOff",
    "Event",
    "Hold",
    "Invoice",
    "InvoiceLine",
    "Message",
    "MessageAttachment",
    "NumberSeries",
    "OpeningHours",
    "Payment",
    "PriceItem",
    "PriceList",
    "Property",
    "SignInLink",
    "TaxRate",
    "Terms",
    "User",
    "Zone",
    "ZoneWay",
]
