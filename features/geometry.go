package features

// TraceRibbons measures how the ribbons of a separated face run; empty where
// there is no base to tell them from.
func TraceRibbons(f *Face, p *Parts) Anatomy {
	var a Anatomy
	if p.Base < 0 || p.Usable == 0 {
		return a
	}
	m := carry(f, p)
	a.Lines = traceLines(m, p)
	cuts := measureWidths(f, m, p, a.Lines)
	for i := range a.Lines {
		a.Lines[i].findTurns()
	}
	a.Widths = widthsOf(a.Lines, cuts, func(*Line) bool { return true })
	return a
}
