package classify

// What is known of the health of the sets, beside the plain confusion of
// [LOO]. One entry a specimen throughout: photos of one marble are one.

// Bin is one bar of a reliability plot: the specimens whose probability of
// their best set lies from Low up to High (the last bin includes High).
type Bin struct {
	Low, High   float64
	N           int
	Probability float64 // mean probability that was said; 0 where N is 0
	Right       float64 // share that was right; 0 where N is 0
}

// Pair is what separates two sets.
type Pair struct {
	A, B     string // labels, A before B
	Confused int    // specimens of one that were taken for the other
	// Features that tell them apart, the best first; those that tell nothing
	// are left out.
	Features []Separation
}

// Separation is how far one feature tells two sets apart.
type Separation struct {
	Feature string
	// D is the difference of the centroids in within-set spreads, on the scale
	// on which the feature is compared (Cohen's d); 2 is clear to the eye, below
	// 1 the sets overlap for the most part. Not negative.
	D    float64
	A, B *Usual // in the feature's own unit
	Text string // plain words: "ribbon width, mm: set A 0.8 to 1.3, set B 2.0 to 3.1"
}

// Suspect is a specimen that looks as if it were in the wrong set.
type Suspect struct {
	Specimen   string
	Label      string  // the set it is in
	PValue     float64 // for its own set, itself left out
	Like       string  // the set it looks like
	LikePValue float64 // for that set
	Text       string
}

// Duplicate is two entries that are so near each other that they may be one
// marble photographed twice.
type Duplicate struct {
	A, B           string // specimens, A before B
	LabelA, LabelB string
	Distance       float64 // root mean square difference, in spreads
	Typical        float64 // the usual distance of a set's specimen from its nearest neighbour
	Text           string
}

// SmallSet is a set with too few specimens to be trusted.
type SmallSet struct {
	Label string
	N     int // specimens
	Text  string
}

// Candidate is one form of the model that was tried.
type Candidate struct {
	Name string // "diagonal", "Ledoit-Wolf", "shrunken centroids, threshold 1" ...
	// Wrong of Tested specimens, each left out.
	Wrong, Tested int
	CrossEntropy  float64 // nats a specimen, after calibration; settles equal Wrong
	Chosen        bool
}
