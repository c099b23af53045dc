"""What a report tells beside the main comparison, one question a module.

Takes an analysis set, gives a part of the results or nothing. It must not know what another topic answers.
"""
