package pipeline

import (
	"context"
	"path/filepath"
	"syscall"

	"tawsight/calib"
	"tawsight/internal/record"
	"tawsight/internal/report"
)

// StepCost is the processor time that one step of measuring took.
type StepCost struct {
	Step    string
	Seconds float64 // user and system, of the whole process
}

// A stepClock adds up processor time by step, for finding out where it goes. It
// counts the whole process, so one photo at a time tells something only. A nil
// clock does nothing.
type stepClock struct {
	last  float64
	costs []StepCost
}

func newStepClock() *stepClock { return &stepClock{last: processorSeconds()} }

// done puts what was spent since the last call down to a step.
func (c *stepClock) done(step string) {
	if c == nil {
		return
	}
	now := processorSeconds()
	spent := now - c.last
	c.last = now
	for i := range c.costs {
		if c.costs[i].Step == step {
			c.costs[i].Seconds += spent
			return
		}
	}
	c.costs = append(c.costs, StepCost{step, spent})
}

// processorSeconds is the processor time of this process so far, user and system.
func processorSeconds() float64 {
	var r syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &r) != nil {
		return 0
	}
	return float64(r.Utime.Nano()+r.Stime.Nano()) / 1e9
}

// Costs measures one photo, writes everything that [Run] writes of it, and says
// what each step cost. Nothing else may run in the process meanwhile.
func Costs(path, outDir string) ([]StepCost, record.Photo, error) {
	scale, err := calib.ScaleFromCheckBar(0)
	if err != nil {
		return nil, record.Photo{}, err
	}
	clock := newStepClock()
	want := wanted{crops: true, draw: true, clock: clock}
	res := safely(path, scale, want)
	clock.done("record")
	t := handOn(path, &res, want)
	m := openMemory(Options{NoCache: true}, scale, false)
	defer m.close()
	w := &work{taken: t}
	if t.Photo.Error == "" {
		if err := m.draw(context.Background(), w, nil, nil); err != nil {
			return nil, t.Photo, err
		}
	}
	m.page(w)
	clock.done("page's pictures")
	if err := writePictures(outDir, report.Stems([]string{path})[0], w); err != nil {
		return nil, t.Photo, err
	}
	clock.done("files")
	t = w.taken
	photos := record.List{t.Photo}
	for _, write := range []func() error{
		func() error { return report.WriteJSONL(filepath.Join(outDir, report.JSONLName), photos) },
		func() error {
			return report.WriteMarblesCSV(filepath.Join(outDir, report.MarblesName), photos, featureNames())
		},
		func() error { return report.WritePhotosCSV(filepath.Join(outDir, report.PhotosName), photos) },
		func() error {
			return report.WriteHTMLWith(outDir, photos, func(int) report.PagePictures { return pagePictures(w.page) })
		},
	} {
		if err := write(); err != nil {
			return nil, t.Photo, err
		}
	}
	clock.done("tables and page")
	return clock.costs, t.Photo, nil
}
