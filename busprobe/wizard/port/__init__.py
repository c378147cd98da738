"""The step Port: which adapter, does it open, who is talking already?"""
