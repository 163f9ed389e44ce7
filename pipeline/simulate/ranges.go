package simulate

import (
	"math"
	"math/rand/v2"
)

// span is a range that a number is drawn from.
type span struct{ lo, hi float64 }

// even draws uniformly.
func (s span) even(r *rand.Rand) float64 { return s.lo + (s.hi-s.lo)*r.Float64() }

// usual draws values in the middle of the range more often.
func (s span) usual(r *rand.Rand) float64 {
	return s.lo + (s.hi-s.lo)*(r.Float64()+r.Float64())/2
}

// wide draws evenly in the logarithm.
func (s span) wide(r *rand.Rand) float64 { return s.lo * math.Pow(s.hi/s.lo, r.Float64()) }

// Ranges are the ranges of everything that varies. Lengths in mm, angles in
// degrees, curvatures per metre. The published figures behind the anatomical
// ones are given; the ranges go beyond them on both sides.
type Ranges struct {
	// Anatomy.
	Size        span // factor on all of a bone
	Length      span // lesser trochanter to joint line, before Size: femur lengths 432 ± 24 (men) and 411 ± 23 (JOSR 2022)
	HalfX       span // half outer width at the isthmus; 26–32 mm is usual
	HalfY       span
	Isthmus     span // fraction of Length; isthmus about 113 mm below the lesser trochanter (Noble 1988)
	Index       span // cortical index at the isthmus: 0.3 (thin) … 0.75; geriatric mean 0.52 (AOTS 2015), 0.6 (Nguyen 2018)
	Medial      span
	Lateral     span
	Taper       span
	Flare       span // canal flare index 3.8 ± 0.7 (Noble 1988), < 3 … 6.5
	Knee        span
	FlareAt     span
	CoronalBow  span // radius mostly > 3 m (Aneja 2025)
	SagittalBow span // 0.72 … 1.45 m on average, 0.5 … 1.7 m in bulk (Harma 2005, Maratt 2014, Thiesen 2018)
	BowSkew     span
	Wobble      span
	Lobe        span
	Ridge       span
	Soft        span
	NeckShaft   span // 128.8 (98–180), 127 ± 7 (Boese 2016, Fischer 2020)
	Anteversion span
	HeadRadius  span
	NeckRadius  span // over HeadRadius
	NeckLength  span // over HeadRadius
	Trochanter  span
	LTBehind    span // degrees behind medial
	Greater     span
	LateralDFA  span // aLDFA 81 (79–83) (Paley 2002)
	Condyles    span
	Density     span

	// Leg and soft tissue.
	Rotation span // of the leg
	Tilt     span
	Slant    span // usual films
	Lying    span // a leg that lies across
	Depth    span // height of the femur over the detector
	ThighHip span
	ThighMid span // over ThighHip
	Flat     span
	Fat      span
	Trunk    span

	// Beam and detector.
	SID       span
	Spacing   span
	Soft_     span // attenuation per mm of soft tissue
	Cortical  span // excess of cortical bone per mm
	Spongy    span // excess of cancellous bone
	Hardening span
	Heel      span
	Scatter   span
	Focal     span // focal-spot blur, sd in mm on the detector
	Blur      span // detector blur, sd in mm
	Tail      span
	TailReach span
	Quanta    span // per mm² of the open field
	LowQuanta span
	Texture   span
	Grain     span

	// Processing.
	Edge       span
	EdgeKernel span
	Equalise   span
	EqualiseMM span
	Second     span
	SecondMM   span
	Sigmoid    span
	Gamma      span
	FieldAngle span

	Square span // four-lobed term of the cross-section: none in the usual films
	Power  span // exponent of the detail's amplification: 1 in the usual films

	joint   jointRanges
	relief  reliefRanges
	sockets bool // drawn anew for every film
}

// seen are the ranges of Draw.
var seen = Ranges{
	Size: span{0.86, 1.16}, Length: span{325, 385}, HalfX: span{12.2, 16}, HalfY: span{12.5, 16.5}, Isthmus: span{0.30, 0.44},
	Index: span{0.32, 0.78}, Medial: span{0.85, 1.2}, Lateral: span{0.85, 1.2}, Taper: span{0.75, 1.35}, Flare: span{0.8, 1.65}, Knee: span{0.8, 1.2},
	FlareAt: span{0.70, 0.77}, CoronalBow: span{-0.45, 0.75}, SagittalBow: span{0.55, 1.6}, BowSkew: span{-1, 1}, Wobble: span{0.02, 0.28},
	Lobe: span{-0.03, 0.03}, Ridge: span{0, 0.2}, Soft: span{0.4, 1.5}, NeckShaft: span{112, 143}, Anteversion: span{0, 28},
	HeadRadius: span{20, 27.5}, NeckRadius: span{0.6, 0.76}, NeckLength: span{2.0, 2.5}, Trochanter: span{6, 13}, LTBehind: span{20, 62}, Greater: span{0.85, 1.2},
	LateralDFA: span{74, 85}, Condyles: span{21, 26}, Density: span{0.5, 1.4},

	Rotation: span{-20, 20}, Tilt: span{-7, 7}, Slant: span{-12, 12}, Lying: span{-55, 55}, Depth: span{90, 240},
	ThighHip: span{62, 125}, ThighMid: span{0.72, 0.95}, Flat: span{0.85, 1.15}, Fat: span{4, 42}, Trunk: span{140, 220},

	SID: span{1000, 1800}, Spacing: span{0.1, 0.2}, Soft_: span{0.0175, 0.0225}, Cortical: span{0.028, 0.052}, Spongy: span{0.005, 0.013}, Hardening: span{0, 0.05},
	Heel: span{0, 0.35}, Scatter: span{0.05, 0.9}, Focal: span{0.02, 0.16}, Blur: span{0.04, 0.15}, Tail: span{0, 0.12}, TailReach: span{0.6, 3},
	Quanta: span{8e4, 3e6}, LowQuanta: span{1.2e4, 6e4}, Texture: span{0.04, 0.28}, Grain: span{0.1, 0.22},

	Edge: span{0, 1.5}, EdgeKernel: span{0.3, 8}, Equalise: span{0.2, 0.85}, EqualiseMM: span{14, 50}, Second: span{0, 0.5}, SecondMM: span{2, 12},
	Sigmoid: span{3, 7}, Gamma: span{0.7, 1.5}, FieldAngle: span{-8, 8},

	Square: span{0, 0}, Power: span{1, 1}, joint: seenJoint, relief: seenRelief, sockets: true,
}

// unseen are the held-out ranges of DrawUnseen: other shapes, other
// processing, other beams. Nothing may be fitted to films drawn from them.
var unseen = Ranges{
	Size: span{0.8, 1.2}, Length: span{315, 400}, HalfX: span{11.5, 17}, HalfY: span{11.5, 17.5}, Isthmus: span{0.26, 0.48},
	Index: span{0.27, 0.8}, Medial: span{0.75, 1.3}, Lateral: span{0.75, 1.3}, Taper: span{0.6, 1.6}, Flare: span{0.6, 1.9}, Knee: span{0.7, 1.3},
	FlareAt: span{0.68, 0.79}, CoronalBow: span{-0.6, 1}, SagittalBow: span{0.45, 1.8}, BowSkew: span{-1.6, 1.6}, Wobble: span{0.05, 0.4},
	Lobe: span{-0.06, 0.06}, Ridge: span{0.05, 0.3}, Soft: span{0.3, 1.9}, NeckShaft: span{106, 148}, Anteversion: span{-6, 34},
	HeadRadius: span{19, 28.5}, NeckRadius: span{0.56, 0.8}, NeckLength: span{1.95, 2.6}, Trochanter: span{5, 15}, LTBehind: span{14, 68}, Greater: span{0.75, 1.3},
	LateralDFA: span{72, 87}, Condyles: span{20, 27}, Density: span{0.35, 1.6},

	Rotation: span{-24, 24}, Tilt: span{-9, 9}, Slant: span{-18, 18}, Lying: span{-58, 58}, Depth: span{70, 260},
	ThighHip: span{55, 140}, ThighMid: span{0.68, 1}, Flat: span{0.78, 1.25}, Fat: span{2, 55}, Trunk: span{130, 240},

	SID: span{950, 1900}, Spacing: span{0.09, 0.21}, Soft_: span{0.0165, 0.024}, Cortical: span{0.024, 0.058}, Spongy: span{0.004, 0.015}, Hardening: span{0, 0.08},
	Heel: span{0.1, 0.5}, Scatter: span{0.02, 1.2}, Focal: span{0.01, 0.2}, Blur: span{0.03, 0.18}, Tail: span{0, 0.18}, TailReach: span{0.4, 5},
	Quanta: span{5e4, 5e6}, LowQuanta: span{0.9e4, 5e4}, Texture: span{0.06, 0.4}, Grain: span{0.08, 0.3},

	Edge: span{0, 1.8}, EdgeKernel: span{0.25, 10}, Equalise: span{0.1, 0.9}, EqualiseMM: span{9, 80}, Second: span{0, 0.8}, SecondMM: span{1, 20},
	Sigmoid: span{2.5, 9}, Gamma: span{0.6, 1.8}, FieldAngle: span{-14, 14},

	Square: span{-0.04, 0.04}, Power: span{0.75, 1.05}, joint: unseenJoint, relief: unseenRelief,
}
