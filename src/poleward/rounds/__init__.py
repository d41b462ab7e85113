"""What was turned and what it did: rounds of measuring and adjusting, and what the knobs really do.

In order: turns, prior, response, advice, held, history, remarks, story, asked, questions, situation,
next, prospects, measuring, script, evening.
"""
