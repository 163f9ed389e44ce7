package jpeg2000

// tagTree codes a grid of numbers so that equal neighbours cost little (B.10.2).
type tagTree struct {
	nodes  []tagNode
	widths []int // of each level, leaves first
	starts []int // in nodes
}

type tagNode struct {
	value int
	low   int  // the reader knows that value ≥ low
	known bool // and, here, that value = low
}

func newTagTree(w, h int) *tagTree {
	t := &tagTree{}
	n := 0
	for {
		t.widths = append(t.widths, w)
		t.starts = append(t.starts, n)
		n += w * h
		if w*h <= 1 {
			break
		}
		w, h = (w+1)/2, (h+1)/2
	}
	t.nodes = make([]tagNode, n)
	return t
}

// set gives a leaf its value; leaves count row by row.
func (t *tagTree) set(leaf, value int) { t.nodes[leaf].value = value }

// finish makes each inner node the least of its children.
func (t *tagTree) finish() {
	for level := 1; level < len(t.starts); level++ {
		first := t.starts[level-1]
		end := t.starts[level]
		for i := t.starts[level]; i < len(t.nodes); i++ {
			t.nodes[i].value = int(^uint(0) >> 1)
		}
		for i := first; i < end; i++ {
			x, y := (i-first)%t.widths[level-1], (i-first)/t.widths[level-1]
			up := &t.nodes[t.starts[level]+y/2*t.widths[level]+x/2]
			up.value = min(up.value, t.nodes[i].value)
		}
	}
}

// write tells the reader whether the leaf's value is below threshold and, if so,
// the value.
func (t *tagTree) write(w *headerWriter, leaf, threshold int) {
	x, y := leaf%t.widths[0], leaf/t.widths[0]
	low := 0
	for level := len(t.starts) - 1; level >= 0; level-- {
		n := &t.nodes[t.starts[level]+(y>>level)*t.widths[level]+x>>level]
		low = max(low, n.low)
		for low < threshold && !n.known {
			if low >= n.value {
				w.put(1, 1)
				n.known = true
				break
			}
			w.put(0, 1)
			low++
		}
		n.low = low
	}
}
