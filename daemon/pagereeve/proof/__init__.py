"""The installation proof: does the path from badge to account work, with real pages?"""
