"""What people hold in their hands: weigh-up cards, cure cards, test sheets, and the form that results come back in."""

from formlab.cards.batches import Batch, batches_of, mixings_of
from formlab.cards.form import results_form
from formlab.cards.loads import Load, loads_of
from formlab.cards.make import make_cards
from formlab.cards.sessions import Session, sessions_of
from formlab.cards.site import Mill, Scale, Site, read_site

__all__ = [
    "Batch",
    "Load",
    "Mill",
    "Scale",
    "Session",
    "Site",
    "batches_of",
    "loads_of",
    "make_cards",
    "mixings_of",
    "read_site",
    "results_form",
    "sessions_of",
]
