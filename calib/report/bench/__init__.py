"""The bench: a page on this machine alone, for looking closer at runs (needs the extra ``bench``).

``page`` lays it out, ``server`` serves it; what they show is handed in as a `Subject`.
"""
