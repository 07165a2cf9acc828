package features

// Analysis is what is found out about a face once and read by the features.
type Analysis struct {
	Face   *Face
	Shadow Shadow
	Glass  GlassCues
	Parts  Parts
	// Anatomy is how the ribbons run, Marks what else there is.
	Anatomy Anatomy
	Marks   Marks
	// Mark is what is seen of the mark on the sheet under the marble.
	Mark MarkSeen
	own  *glassColour // nil where it isn't worked out yet
}

// Analyse looks at a face.
func Analyse(f *Face) *Analysis {
	a := &Analysis{Face: f}
	if f.Mark != nil {
		// Colours are read off the face as it would look on plain ground.
		a.Mark = *lookForMark(f)
		if a.Mark.Looked {
			a.Mark.read(f)
			f = a.Mark.without(f)
			a.Face = f
		}
	}
	a.Shadow = findShadow(f.Ring)
	a.Parts = separate(f)
	if len(a.Parts.Colours) == 0 {
		// Too little of the face is seen to tell colours: then nothing was
		// measured, and no feature may say 0.
		a.Parts.Usable = 0
	}
	a.Glass = glassCues(f, a.Shadow, &a.Parts)
	if a.Mark.Looked {
		a.Mark.byColour(f, &a.Parts)
		a.Mark.settle(&a.Glass)
	}
	a.Parts.chooseBase(f, a.Glass)
	if a.Mark.Looked {
		a.Mark.base(f, &a.Parts)
	}
	a.Parts.settleRibbons(f, a.Shadow, a.Glass.NotOpaque < 0.5)
	lab32s.give(a.Parts.level)
	a.Parts.level = nil
	a.Glass.Translucency = a.translucency()
	a.Marks = findMarks(a)
	a.Parts.dropBubble(f, a.Marks.Bubble)
	a.Parts.Edge = edgeLength(f, &a.Parts)
	lab, ok := a.findOwnColour()
	a.own = &glassColour{lab, ok}
	a.Anatomy = TraceRibbons(f, &a.Parts, func(c int8) bool { return int(c) != a.Parts.Base && a.whitish(a.Parts.Colours[c].Lab) })
	return a
}
