"""The record of builds and comparisons: what was made, from what, and how well wax met the plan.

``entry`` reads rows from the documents of build and compare, ``log`` keeps them in one SQLite
file, ``place`` says where that file is, ``drift`` tells whether the latest comparisons have moved.
"""
