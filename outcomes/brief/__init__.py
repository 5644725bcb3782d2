"""The briefing: facts, words, and the page made of them."""
