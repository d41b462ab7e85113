"""What leaves the program: text, record, tables, charts, page. Side by side; they share `style`, and little else.

In order: style, tables, camera_text, check_text, plan_text, proof_text, moves_text, rounds_text, timings_table, text,
evening_text, chart, page, rounds_chart, check_chart, answers_chart, log_chart, log_groups, log_text, plan_chart,
frames_text, frames_chart, shown.
"""
