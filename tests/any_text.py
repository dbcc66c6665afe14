"""Text of all that UTF-8 can write. For its own, hypothesis first encodes each of a million characters."""

from hypothesis import strategies as st

TEXT = st.characters(exclude_categories=["Cs"])
