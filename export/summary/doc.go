// Package summary writes report.html, one self-contained page for a whole run:
// counts by status and reason, distributions with published ranges behind them,
// the films that a person should see first, side against side, and what was
// refused and why.
package summary
