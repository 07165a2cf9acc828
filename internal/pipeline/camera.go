package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"tawsight/calib"
	"tawsight/internal/cameras"
	"tawsight/internal/record"
	"tawsight/vision"
)

// ErrNoProfile is wrapped by the error for photos from which no camera profile can
// be made, or none that would help. Nothing has been written then.
var ErrNoProfile = errors.New("no camera profile was made")

// CameraOptions say which photos to learn a camera from.
type CameraOptions struct {
	Photos   []string // files and folders, as for Run
	Name     string   // what the user calls the camera; empty for what the photos say
	Workers  int
	Progress func(done, total int, path string)
	Now      time.Time
}

// CameraSummary is what learning a camera came to. All of it that is known is
// there even where no profile could be made.
type CameraSummary struct {
	// Profile is what was found, not yet saved; nil where nothing useful was.
	Profile  *cameras.Profile
	Used     []CameraPhoto // with a readable card, of the one camera
	LeftOut  []Failure     // photos that could be read but don't count, with why
	Failures []Failure     // files that could not be read
	Coverage Coverage
	// Lens says how much the lens bends and how the choice was made; Missing what
	// further photos would help, in plain words.
	Lens    []string
	Missing []string
}

// CameraPhoto is one photo that was learnt from, with its tilt (degrees, 0 where
// nothing was fitted) and rms residual (px).
type CameraPhoto struct {
	Path            string
	TiltDeg, RestPX float64
	corners         [][2]float64 // of the card, px of the stored picture
	card            [][2]float64 // the same corners on it, mm
	key             cameras.Key
	width, height   int // stored
	focal35         float64
}

// Coverage counts the card's corners in the parts of the frame as the file stores
// it: CoverageRows rows of CoverageCols.
type Coverage [CoverageRows][CoverageCols]int

// How finely the frame is divided.
const (
	CoverageCols = 12
	CoverageRows = 9
)

// String is the frame as a small picture: a mark where the card's corners were.
func (c Coverage) String() string {
	var b strings.Builder
	b.WriteString("+" + strings.Repeat("-", 2*CoverageCols+1) + "+\n")
	for _, row := range c {
		b.WriteString("|")
		for _, n := range row {
			switch {
			case n == 0:
				b.WriteString(" .")
			case n < 6:
				b.WriteString(" o")
			default:
				b.WriteString(" #")
			}
		}
		b.WriteString(" |\n")
	}
	b.WriteString("+" + strings.Repeat("-", 2*CoverageCols+1) + "+\n")
	return b.String()
}

// Share is the share of the parts with a corner in them.
func (c Coverage) Share() float64 {
	n := 0
	for _, row := range c {
		for _, v := range row {
			if v > 0 {
				n++
			}
		}
	}
	return float64(n) / (CoverageRows * CoverageCols)
}

// empty names the frame's corners (a quarter of its width and a third of its
// height) in which the card never was.
func (c Coverage) empty() []string {
	var out []string
	for _, q := range []struct {
		name   string
		row, x int
	}{{"top left", 0, 0}, {"top right", 0, CoverageCols - 3}, {"bottom left", CoverageRows - 3, 0}, {"bottom right", CoverageRows - 3, CoverageCols - 3}} {
		n := 0
		for r := q.row; r < q.row+3; r++ {
			for x := q.x; x < q.x+3; x++ {
				n += c[r][x]
			}
		}
		if n == 0 {
			out = append(out, q.name)
		}
	}
	return out
}

// leastCovered is the share of the frame below which more is asked for.
const leastCovered = 0.5

// LearnCamera finds the camera of photos of the printed card. An error wraps
// [ErrNoPhotos] where there are no photos at all, and [ErrNoProfile] where they
// don't tell enough, or a profile would do harm; the summary then says what was
// seen all the same.
func LearnCamera(ctx context.Context, o CameraOptions) (CameraSummary, error) {
	var sum CameraSummary
	paths, err := listPhotos(o.Photos, "")
	if err != nil {
		return sum, err
	}
	looks := make([]cameraLook, len(paths))
	var mu sync.Mutex
	done := 0
	each(ctx, len(paths), o.Workers, func(i int) {
		looks[i] = cardIn(ctx, paths[i])
		mu.Lock()
		defer mu.Unlock()
		done++
		if o.Progress != nil {
			o.Progress(done, len(paths), paths[i])
		}
	})
	if err := ctx.Err(); err != nil {
		return sum, err
	}
	var photos []CameraPhoto
	for i, l := range looks {
		switch {
		case l.failed:
			sum.Failures = append(sum.Failures, Failure{paths[i], l.why})
		case l.why != "":
			sum.LeftOut = append(sum.LeftOut, Failure{paths[i], l.why})
		default:
			photos = append(photos, l.photo)
		}
	}
	if len(photos) == 0 {
		sum.Missing = append(sum.Missing, fmt.Sprintf("photos in which the whole printed card is seen: %d of them, the card in all parts of the picture, the phone leaning to all sides", calib.WantedViews))
		return sum, fmt.Errorf("%w: the card was found in none of the photos", ErrNoProfile)
	}
	photos = sum.ofOneCamera(photos)
	w, h := photos[0].width, photos[0].height
	for _, p := range photos {
		for _, c := range p.corners {
			x, y := int(c[0]/float64(w)*CoverageCols), int(c[1]/float64(h)*CoverageRows)
			if x >= 0 && y >= 0 && x < CoverageCols && y < CoverageRows {
				sum.Coverage[y][x]++
			}
		}
	}
	sum.Used = photos
	sum.missing()
	views := make([]calib.BoardView, len(photos))
	for i, p := range photos {
		views[i] = calib.BoardView{Board: p.card, Seen: p.corners}
	}
	c, err := calib.Calibrate(views, w, h, calib.CalibrateOptions{})
	if err != nil {
		return sum, fmt.Errorf("%w: %w", ErrNoProfile, err)
	}
	if err := ctx.Err(); err != nil {
		return sum, err
	}
	sum.Used = nil
	for i, p := range photos {
		p.TiltDeg, p.RestPX = c.TiltDeg[i], c.ViewPX[i]
		if slices.Contains(c.Stray, i) {
			sum.LeftOut = append(sum.LeftOut, Failure{p.Path, fmt.Sprintf("it doesn't go with the others: its corners lie %.2f px off, theirs %.2f (a card that isn't flat, or a phone that moved)", p.RestPX, c.ReprojectionPX)})
			continue
		}
		sum.Used = append(sum.Used, p)
	}
	useful := c.Useful(views, calib.PriorFocal(photos[0].focal35, w, h))
	profile := &cameras.Profile{
		Name: o.Name, Camera: photos[0].key, Found: c.Model, Made: o.Now.Format("2006-01-02"), MadeBy: record.Version,
		Photos: len(c.Used), ReprojectionPX: round(c.ReprojectionPX, 4),
	}
	if profile.Name == "" {
		profile.Name = photos[0].key.String() + ", " + cameras.Shape(w, h)
	}
	why := harm(useful, &profile.HeldOutPX, &profile.HeldOutWithoutPX, photos)
	sum.Lens = lensInWords(c)
	if why != "" {
		return sum, fmt.Errorf("%w: %s", ErrNoProfile, why)
	}
	sum.Profile = profile
	return sum, nil
}

// Limits of what a profile may make worse on a photo that was left out: mostWorse
// times and mostWorsePX px.
const (
	mostWorse   = 1.5
	mostWorsePX = 0.5
)

// harm says why a profile would do harm; "" where it helps. It fills in what it
// came to.
func harm(useful []calib.Usefulness, with, without *float64, photos []CameraPhoto) string {
	if len(useful) == 0 {
		return "it could not be tried on photos left out"
	}
	a, b := 0.0, 0.0
	for _, u := range useful {
		a += u.WithPX * u.WithPX / float64(len(useful))
		b += u.WithoutPX * u.WithoutPX / float64(len(useful))
	}
	*with, *without = round(math.Sqrt(a), 4), round(math.Sqrt(b), 4)
	for _, u := range useful {
		if u.WithPX > mostWorse*u.WithoutPX && u.WithPX > u.WithoutPX+mostWorsePX {
			return fmt.Sprintf("tried on a photo that was left out (%s), it foretells half of the card from the other half to %.2f px, and without it that comes to %.2f px: it would do harm", photos[u.View].Path, u.WithPX, u.WithoutPX)
		}
	}
	if a >= b {
		return fmt.Sprintf("tried on photos left out, it foretells half of the card from the other half no better (%.3f px) than what the photos say of themselves (%.3f px): this camera needs none, or the photos are too poor to tell", *with, *without)
	}
	return ""
}

// ofOneCamera keeps the camera, zoom and size of which there are most photos, the
// first of several; the others are left out by name.
func (sum *CameraSummary) ofOneCamera(photos []CameraPhoto) []CameraPhoto {
	same := func(a, b CameraPhoto) bool {
		return a.key == b.key && a.width == b.width && a.height == b.height
	}
	best, most := 0, 0
	for i := range photos {
		n := 0
		for j := range photos {
			if same(photos[i], photos[j]) {
				n++
			}
		}
		if n > most {
			best, most = i, n
		}
	}
	var kept []CameraPhoto
	for _, p := range photos {
		of := photos[best]
		switch {
		case same(p, of):
			kept = append(kept, p)
		case p.key.Make != of.key.Make || p.key.Model != of.key.Model || p.key.Lens != of.key.Lens:
			sum.LeftOut = append(sum.LeftOut, Failure{p.Path, fmt.Sprintf("it is of another camera or lens (%s) than most (%s)", p.key, of.key)})
		case p.key != of.key:
			sum.LeftOut = append(sum.LeftOut, Failure{p.Path, fmt.Sprintf("it is of another lens or zoom (%s) than most (%s)", p.key, of.key)})
		default:
			sum.LeftOut = append(sum.LeftOut, Failure{p.Path, fmt.Sprintf("its frame is %d x %d pixels, most are %d x %d (sideways and upright count as one only where the file says how it was held)", p.width, p.height, of.width, of.height)})
		}
	}
	return kept
}

// missing says what further photos would help.
func (sum *CameraSummary) missing() {
	if n := len(sum.Used); n < calib.WantedViews {
		sum.Missing = append(sum.Missing, fmt.Sprintf("more photos: %d count, %d or more are better", n, calib.WantedViews))
	}
	if e := sum.Coverage.empty(); len(e) > 0 {
		sum.Missing = append(sum.Missing, fmt.Sprintf("the card in the %s of the frame (as the file stores it, the phone sideways): what the lens does there is only guessed at from the rest", inWords(e)))
	} else if s := sum.Coverage.Share(); s < leastCovered {
		sum.Missing = append(sum.Missing, fmt.Sprintf("the card in more places: it was in %.0f %% of the frame", 100*s))
	}
}

func inWords(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// lensInWords says what was found, and why so many coefficients.
func lensInWords(c *calib.Calibration) []string {
	m := &c.Model
	out := []string{
		fmt.Sprintf("focal length %.1f px, known to %.2f %% (one standard uncertainty)", m.FocalPX, 100*m.U("focal")),
		fmt.Sprintf("principal point %+.1f, %+.1f px from the frame's middle, known to %.1f px", m.CxPX-float64(m.WidthPX-1)/2, m.CyPX-float64(m.HeightPX-1)/2, math.Hypot(m.U("cx"), m.U("cy"))/math.Sqrt2),
	}
	chosen := c.Tried[c.Chosen]
	if len(chosen.Coefficients) == 0 {
		out = append(out, fmt.Sprintf("no distortion: photos left out are as well explained without any (%.3f px)", chosen.HeldOutPX))
	} else {
		share, u := m.CornerShift()
		way := "outwards"
		if share < 0 {
			way = "inwards"
		}
		out = append(out, fmt.Sprintf("the lens moves the frame's corners %s by %.2f +- %.2f %% (%s, the fewest coefficients that explain photos left out: %.3f px, without any %.3f px)",
			way, 100*math.Abs(share), 196*u, chosen.Name(), chosen.HeldOutPX, c.Tried[0].HeldOutPX))
		for _, n := range chosen.Coefficients {
			out = append(out, fmt.Sprintf("%s %.5f +- %.5f", n, map[string]float64{"k1": m.K1, "k2": m.K2, "k3": m.K3, "p1": m.P1, "p2": m.P2}[n], 1.96*m.U(n)))
		}
	}
	return append(out, fmt.Sprintf("the card's corners fit to %.3f px (rms)", c.ReprojectionPX))
}

// cameraLook is a photo looked at for the card alone.
type cameraLook struct {
	photo  CameraPhoto
	failed bool
	why    string // why it doesn't count
}

func lookForCard(path string) (l cameraLook) {
	defer func() {
		if fault := recover(); fault != nil {
			l = cameraLook{failed: true, why: fmt.Sprintf("a fault in the program itself (%v); please report it with this photo", fault)}
		}
	}()
	p, err := vision.Open(path)
	if err != nil {
		return cameraLook{failed: true, why: reasonOf(err)}
	}
	defer p.Close()
	det := calib.DetectWith(p.Mat(), p.Half())
	if !det.Found {
		return cameraLook{why: det.Message + "; the whole printed card must be in the picture, flat and sharp"}
	}
	key, ok := cameras.KeyOf(p.Meta)
	if !ok {
		return cameraLook{why: "the file doesn't say which camera took it (a picture sent by a messenger or saved by a photo program often doesn't), so a profile could never be matched; copy the photo from the phone as it is"}
	}
	o := p.Meta.Orientation
	if o == 2 || o == 4 || o == 5 || o == 7 {
		return cameraLook{why: "the file says that the picture is mirrored"}
	}
	if _, err := calib.FitPose(calib.InnerCorners(), det.Corners, p.Width, p.Height, calib.PriorFocal(p.Meta.Focal35MM, p.Width, p.Height)); err != nil {
		return cameraLook{why: "the card was seen, but its corners do not lie as on a flat sheet; lay the card flat"}
	}
	ph := CameraPhoto{Path: path, key: key, width: p.Width, height: p.Height, focal35: p.Meta.Focal35MM, card: calib.InnerCorners()}
	if o >= 5 {
		ph.width, ph.height = p.Height, p.Width
	}
	for _, c := range det.Corners {
		x, y := calib.Stored(o, p.Width, p.Height, c[0], c[1])
		ph.corners = append(ph.corners, [2]float64{x, y})
	}
	return cameraLook{photo: ph}
}

// profileLine is what is said of a profile in a record.
func profileLine(p *cameras.Profile) string {
	if p == nil {
		return ""
	}
	return fmt.Sprintf("%s [%s]", p.Name, p.Hash())
}

// profileOf are the hashes of the profiles that a photo's file may be measured
// with; "" for none.
func profileOf(book *cameras.Book, path string) string {
	if len(book.Profiles()) == 0 {
		return ""
	}
	meta, err := vision.ReadMeta(path)
	if err != nil {
		return ""
	}
	return strings.Join(book.Hashes(meta), " ")
}

// SavePath is where a new profile goes: to out where that is given, else to the
// user's folder under the name of its camera.
func SavePath(p *cameras.Profile, out string) (string, error) {
	if out != "" {
		return out, nil
	}
	dir, err := cameras.Dir()
	if err != nil {
		return "", err
	}
	return filepath.Join(dir, p.FileName()), nil
}
