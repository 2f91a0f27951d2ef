"""Outside words become records here: typed quantities and times, broker messages, files.

Each source has pure `parse…` functions and, where it listens, a thin loop. Whatever cannot be understood
is a `InputError` that says what was given and what would have been understood.
"""
