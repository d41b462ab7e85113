"""A guide log to sections: how it is written, and reading it.

In order: patterns, facts, form, layout, logtext, section, times, held, blocks, rows, pieces, signs, sift,
unlikely, assemble, copies, reader, tail, columns, structure, values,
draft.
"""
