"""Whether the cold tests can bear a claim, asked before anybody looks at the answer.

Takes ``Records`` and onset, gives doubts that shut or qualify. It must not know any estimate.
"""
