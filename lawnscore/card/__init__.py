"""The reference card: its design, drawing, colours and ageing."""

from lawnscore.card.design import DESIGNS, CardDesign, Marker, Patch, card_design
from lawnscore.card.draw import card_image, draw_card

__all__ = ["DESIGNS", "CardDesign", "Marker", "Patch", "card_design", "card_image", "draw_card"]
