package agreement

// Load is one line of the operating table: whoever reads the first Read films
// of an order meets Caught of the findings among them.
type Load struct {
	Read, Caught int
}

// Workload returns the operating table of an order, one line for each film read
// from 0 on: finding[i] says whether the i-th film of the order has a finding.
func Workload(finding []bool) []Load {
	table := make([]Load, 1, len(finding)+1)
	caught := 0
	for i, is := range finding {
		if is {
			caught++
		}
		table = append(table, Load{i + 1, caught})
	}
	return table
}
