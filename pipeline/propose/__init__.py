"""Proposing: look at a file nobody has described, propose a layout, and ask what cannot be decided."""

from pipeline.propose.proposal import Proposal, propose

__all__ = ["Proposal", "propose"]
