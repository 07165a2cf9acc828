package classify

// Measurement is something that could still be done to measure a marble
// better.
type Measurement struct {
	Code     string   // "another-side", "closer", "backlit", "ultraviolet", "caliper"
	Words    string   // what to do, for the text: "a photo of another side"
	Features []string // names of the features that it would measure (again)
	// Sure is how sure they would then be, 0..1; 0 counts as 1.
	Sure float64
	// OtherSide says that another part of the marble is seen: what is measured
	// then differs by as much as two photos of one marble do, and is averaged
	// with what is known. Otherwise the same is measured, only better.
	OtherSide bool
}

// Suggestion is what one [Measurement] can be expected to do for the doubt
// between two sets.
type Suggestion struct {
	Code     string
	Features []string // those that tell the two sets apart most, the best first
	// DoubtNow and DoubtAfter are the entropy of the choice between the two
	// sets, in bits (1: a coin's toss; 0: certain): now, and as expected after
	// the measurement.
	DoubtNow, DoubtAfter float64
	// Settles is the chance that one set is then at least DoubtfulRatio times as
	// likely as the other; 0..1.
	Settles float64
	Text    string // plain words
}

// Settle says what each of the measurements that could still be made can be
// expected to do for the doubt whether a marble is of set best or of set
// runnerUp; the most useful first, and those that would do nothing left out. It
// is worked out from the sets' own distributions: what the measurement would
// show if the marble were of the one set or of the other, given what is known
// of it already. Unknown labels give none.
func (m *Model) Settle(r Reading, best, runnerUp string, could []Measurement) []Suggestion {
	return nil
}
