package detect

import "sort"

// components returns the connected sets of the cells 0 … n−1, laid out in rows
// of cols, for which in holds: over edges, and over corners too where corners
// is set. Sets and their cells are in scan order.
func components(n, cols int, corners bool, in func(i int) bool) [][]int {
	steps := [][2]int{{0, -1}, {-1, 0}, {1, 0}, {0, 1}}
	if corners {
		steps = append(steps, [2]int{-1, -1}, [2]int{1, -1}, [2]int{-1, 1}, [2]int{1, 1})
	}
	seen := make([]bool, n)
	var out [][]int
	var stack []int
	for start := range n {
		if seen[start] || !in(start) {
			continue
		}
		var cells []int
		stack = append(stack[:0], start)
		seen[start] = true
		for len(stack) > 0 {
			i := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			cells = append(cells, i)
			for _, s := range steps {
				x, j := i%cols+s[0], i+s[0]+s[1]*cols
				if x < 0 || x >= cols || j < 0 || j >= n || seen[j] || !in(j) {
					continue
				}
				seen[j] = true
				stack = append(stack, j)
			}
		}
		sort.Ints(cells)
		out = append(out, cells)
	}
	return out
}
