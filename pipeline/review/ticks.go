package review

// Tick is one thing that the eye sees on a film or does not; the reader answers,
// the program never does.
type Tick struct{ Key, Sentence string }

// Ticks are the features of the published case definition that a film can show,
// in the program's own words. What it also asks for and no film shows (how the
// person fell, pain, healing) is not asked here.
//
// Source: E. Shane et al., J Bone Miner Res 29 (2014) 1–23, table of major and
// minor features.
var Ticks = []Tick{
	{"transverse_from_lateral", "The line starts at the lateral cortex and runs essentially across the shaft; towards the medial side it may turn oblique."},
	{"complete_with_medial_spike", "The line passes through both cortices, and a spike stands at the medial one."},
	{"incomplete_lateral_only", "The line passes through the lateral cortex only."},
	{"not_comminuted", "The bone is in no pieces besides the two ends, or only in small ones."},
	{"local_lateral_thickening", "The outer or the inner surface of the lateral cortex is thickened where the line is."},
	{"general_thickening", "The cortices of the shaft are thick all along."},
}

// Answers to a tick.
const (
	Yes    = "yes"
	No     = "no"
	Unsure = "unsure"
)
