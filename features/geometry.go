package features

// anatomy measures how the ribbons of a separated face run.
func anatomy(f *Face, p *Parts) Anatomy {
	var a Anatomy
	if p.Base < 0 || p.Usable == 0 {
		return a
	}
	m := carry(f, p)
	a.Lines = traceLines(m, p)
	for i := range a.Lines {
		a.Lines[i].findTurns()
	}
	return a
}
