"""What leaves the program: text, record, tables, charts. Side by side; none imports another but `style`.

In order: style, tables, camera_text, check_text, plan_text, proof_text, text, chart, check_chart, log_chart,
log_groups, log_text, plan_chart, shown.
"""
