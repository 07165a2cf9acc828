package web

import (
	"net/http"

	"tawsight/calib"
	"tawsight/internal/collection"
)

// homeData fills home.html.
type homeData struct {
	Empty      bool
	CheckBarMM float64 // of a true print
	Drop       dropData
	Tiles      []tile
	Waits      []task
	Latest     *intakeLine
	CanDemo    bool
	CanAdd     bool // photos can be added
}

// tile is a figure that leads somewhere.
type tile struct {
	Figure int
	Label  string
	Path   string // empty for nowhere
}

// task is something that waits for the collector.
type task struct{ Text, Path, Link string }

// intakeLine is an intake in one line.
type intakeLine struct {
	collection.Intake
	Done, Failed int
}

func lineOf(i collection.Intake) intakeLine {
	total := i.Total()
	return intakeLine{Intake: i, Failed: i.Files[collection.Failed], Done: total - i.Files[collection.Waiting] - i.Files[collection.Measuring]}
}

func (s *Server) home(w http.ResponseWriter, r *http.Request) error {
	if s.desk == nil {
		return s.page(w, r, "home.html", homeData{Empty: true, CheckBarMM: calib.CheckBarMM})
	}
	ctx := r.Context()
	c, err := s.collection()
	if err != nil {
		return err
	}
	n, err := c.Counts(ctx)
	if err != nil {
		return err
	}
	intakes, err := c.Intakes(ctx, 8) // the latest may have got no photo
	if err != nil {
		return err
	}
	data := homeData{
		CheckBarMM: calib.CheckBarMM, Drop: dropOf(collection.Intake{}),
		CanDemo: s.desk != nil && !s.isDemo(), CanAdd: s.desk != nil,
	}
	for _, i := range intakes {
		if i.Total() > 0 {
			l := lineOf(i)
			data.Latest, data.Drop = &l, dropOf(i)
			break
		}
	}
	data.Empty = n.Photos == 0 && data.Latest == nil
	states := n.States
	data.Tiles = []tile{
		{n.Specimens, noun(n.Specimens, "marble"), s.pageAt("/marbles")},
		{n.Photos, noun(n.Photos, "photo"), "/photos"},
		{n.Sets, noun(n.Sets, "set"), s.pageAt("/sets")},
		{states[collection.Labelled], "labelled", s.pageAt("/marbles")},
	}
	if k := states[collection.Doubtful]; k > 0 {
		data.Waits = append(data.Waits, task{count(k, "marble") + " between two sets, to be decided.", s.decidePage(collection.Doubtful), "Decide"})
	}
	if k := states[collection.UnlikeAny]; k > 0 {
		data.Waits = append(data.Waits, task{count(k, "marble") + " unlike any of your sets.", s.decidePage(collection.UnlikeAny), "Look"})
	}
	if k := states[collection.Suggested]; k > 0 {
		data.Waits = append(data.Waits, task{count(k, "marble") + " with a set suggested that nobody has confirmed.", s.decidePage(collection.Suggested), "Confirm"})
	}
	if n.PoorPhotos > 0 {
		data.Waits = append(data.Waits, task{count(n.PoorPhotos, "photo") + " too poor to judge in some way.", "/poor", "See what to do"})
	}
	if n.Specimens > 0 && n.Sets == 0 {
		data.Waits = append(data.Waits, task{"No marble is labelled yet. Open one you are sure of and say which set it belongs to: ten a set are a start.", "/photos", "Choose a photo"})
	}
	return s.page(w, r, "home.html", data)
}

// decidePage is where marbles of a state are decided on: the page made for it,
// else the list of them.
func (s *Server) decidePage(state collection.State) string {
	if at := s.pageAt("/doubtful"); at != "" {
		return at
	}
	return "/marbles?state=" + string(state)
}

func noun(n int, what string) string {
	if n == 1 {
		return what
	}
	return what + "s"
}

// dropData fills the form that takes photos.
type dropData struct {
	CheckBarMM float64 // as last given; 0 for a true print
	Rulers     []rulerGroup
	DPI        float64 // as last given; 0 for none
	IntakeID   string  // to add to; empty for a new one
}

// dropOf is the form as it was filled in for an intake.
func dropOf(i collection.Intake) dropData {
	return dropData{CheckBarMM: i.CheckBarMM, Rulers: rulerGroups(chosenRuler(i.Ruler)), DPI: i.Ruler.DPI}
}
