"""Sampling by hand: tables of vials and runs, their intake, sheets for a round."""
