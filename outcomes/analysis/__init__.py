"""From joined trials to answers: numbers, and what they rest on."""
