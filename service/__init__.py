"""Linetender: raises the alarm for shore divers who have not rung back."""
