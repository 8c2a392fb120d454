"""The window: one page that follows the recorder process and shows what it says.

`app.run_window` opens it. Every file here takes Qt from `qt`, the single door; `words`, `palette` and `pyramid` need no
Qt at all. Widgets take nouns and emit signals: they touch neither disk nor port. `session.BenchSession` is the one
client of the recorder process.
"""
