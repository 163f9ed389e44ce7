# Sets the figures of "go test -bench" that have a limit against it. The limits
# are the project's own; the floor is a film read, decoded, blurred (5 x 5) and
# differentiated (one Sobel pair) at full resolution.
function row(what, value, sign, limit,   ok) {
	if (value == "") return
	ok = sign == "<=" ? value <= limit : value >= limit
	printf "%-52s %8.2f   %s %-4s %s\n", what, value, sign, limit, ok ? "" : "  MISSED"
}
/^Benchmark/ {
	sub(/-[0-9]+$/, "", $1)
	for (i = 3; i < NF; i += 2) got[$1, $(i + 1)] = $i
}
END {
	print "\nA film of 2500 x 3000 pixels, 16 bits, from file to row, overlays off:"
	row("  uncompressed, times the floor", got["BenchmarkFilm/Uncompressed", "x-floor"], "<=", 2.5)
	row("  JPEG lossless, times the floor", got["BenchmarkFilm/JPEGLossless", "x-floor"], "<=", 2.5)
	row("  uncompressed, peak memory in bytes a pixel", got["BenchmarkFilm/Uncompressed", "B/pixel"], "<=", 8)
	row("  JPEG lossless, peak memory in bytes a pixel", got["BenchmarkFilm/JPEGLossless", "B/pixel"], "<=", 8)
	printf "  milliseconds: %.0f (floor %.0f) uncompressed, %.0f (floor %.0f) JPEG lossless\n", \
		got["BenchmarkFilm/Uncompressed", "ms/film"], got["BenchmarkFloor/Uncompressed", "ms/film"], \
		got["BenchmarkFilm/JPEGLossless", "ms/film"], got["BenchmarkFloor/JPEGLossless", "ms/film"]
	print "A batch of 48 films of eight kinds:"
	row("  two cores, times the throughput of one", got["BenchmarkBatch", "speedup"], ">=", 1.8)
	printf "  films a second: %.1f on one core, %.1f on two\n", \
		got["BenchmarkBatch", "films/s-1core"], got["BenchmarkBatch", "films/s-2cores"]
}
