"""An archive cut into pieces that can be worked out by themselves, on one machine or many."""
