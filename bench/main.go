// Command bench measures what Tawsight costs, and prints every figure beside the
// bound it is to keep, in one table, from one run:
//
//	make bench                          # quick: minutes
//	make bench BENCH=-long              # 100 and 2,000 photos for memory and evenness
//
// All yardsticks are taken in the same run on the same machine: the photo decoded
// once by OpenCV, and two Python scripts in this folder, which want Debian's
// python3-skimage, python3-sklearn and python3-opencv. Times are processor times
// (user and system) wherever another program on the machine would spoil the clock.
package main

import (
	"bufio"
	"bytes"
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"syscall"
	"time"

	"gocv.io/x/gocv"

	"tawsight/internal/pipeline"
	"tawsight/internal/record"
	"tawsight/samples"
)

var (
	photoDir = flag.String("photos", "samples/photos/phone", "folder of 12-megapixel photos")
	truthDir = flag.String("truth", "samples/truth/phone", "folder of what is true of them")
	tawsight = flag.String("tawsight", "bin/tawsight", "the program")
	python   = flag.String("python", "/usr/bin/python3", "the Python that has scikit-image, scikit-learn and OpenCV")
	long     = flag.Bool("long", false, "run 100 and 2,000 photos, as the bounds say, in place of a few")
	only     = flag.String("only", "", "run only the parts whose name holds this: cost, python, workers, even, cache")
	few      = flag.Int("few", 8, "photos of the shorter of the two runs whose memory and time are compared")
	many     = flag.Int("many", 32, "photos of the longer one")
	rounds   = flag.Int("rounds", 11, "how many turns of decoding, measuring and the scripts there are, of which the middle one counts")
)

func main() {
	pipeline.Isolate()
	flag.Parse()
	// What is measured in this very process runs as it does in a worker.
	pipeline.Frugal()
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

// row is one line of the table.
type row struct {
	what, got, bound string
	kept             bool
	told             bool // a figure without a bound
}

type bench struct {
	photos []string
	rows   []row
	dir    string // for outputs; removed at the end
	// own is what this program measured, by photo.
	own map[string]record.Photo
	// cost is the processor time of measuring a photo, the mean over photos.
	cost float64
	// told is what each script said in each turn, by its file, photo by photo.
	told map[string][][]scripted
}

// The scripts; see the package comment.
const (
	skimage = "bench/skimage_marbles.py"
	circles = "bench/opencv_circles.py"
)

func run() error {
	var b bench
	var err error
	if b.photos, err = filepath.Glob(filepath.Join(*photoDir, "*.jpg")); err != nil || len(b.photos) == 0 {
		return fmt.Errorf("there are no photos (*.jpg) in %s", *photoDir)
	}
	sort.Strings(b.photos)
	if b.dir, err = os.MkdirTemp("", "tawsight-bench-"); err != nil {
		return err
	}
	defer os.RemoveAll(b.dir)
	for _, part := range []struct {
		name string
		do   func() error
	}{{"cost", b.costs}, {"python", b.scripts}, {"workers", b.workers}, {"even", b.evenness}, {"cache", b.cache}} {
		if !strings.Contains(part.name, *only) && !(part.name == "cost" && *only == "python") {
			continue
		}
		fmt.Fprintf(os.Stderr, "bench: %s ...\n", part.name)
		if err := part.do(); err != nil {
			return fmt.Errorf("%s: %w", part.name, err)
		}
	}
	b.print()
	return nil
}

func (b *bench) bound(what string, got float64, format string, sign string, bound float64) {
	kept := got <= bound
	if sign == ">=" {
		kept = got >= bound
	}
	b.rows = append(b.rows, row{what: what, got: fmt.Sprintf(format, got), bound: sign + " " + fmt.Sprintf(format, bound), kept: kept})
}

func (b *bench) tell(what, got string) {
	b.rows = append(b.rows, row{what: what, got: got, told: true})
}

func (b *bench) print() {
	wide := 0
	for _, r := range b.rows {
		wide = max(wide, len([]rune(r.what)))
	}
	fmt.Printf("%-*s  %14s  %12s\n", wide, "", "measured", "asked")
	missed := 0
	for _, r := range b.rows {
		verdict := ""
		switch {
		case r.told:
		case r.kept:
			verdict = "kept"
		default:
			verdict = "MISSED"
			missed++
		}
		fmt.Printf("%-*s  %14s  %12s  %s\n", wide, r.what, r.got, r.bound, verdict)
	}
	if missed > 0 {
		fmt.Printf("\n%d of the figures asked for are missed.\n", missed)
	}
}

// processor is this process's processor time, seconds.
func processor() float64 {
	var r syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &r) != nil {
		return 0
	}
	return float64(r.Utime.Nano()+r.Stime.Nano()) / 1e9
}

// middle is the turn in whose time as many turns lie above as below.
func middle(seconds []float64) (turn int) {
	order := make([]int, len(seconds))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(seconds[a], seconds[b]) })
	return order[(len(order)-1)/2]
}

// costs compares measuring a photo with decoding it, both in this process, turn and
// turn about, and the scripts with them: what else the machine has to do comes and
// goes, and meets them all alike. The middle turn counts. The least would not do: short
// work finds a quiet moment sooner than long work does.
func (b *bench) costs() error {
	n := len(b.photos)
	b.own, b.told = map[string]record.Photo{}, map[string][][]scripted{}
	decode, cost, steps := make([][]float64, n), make([][]float64, n), make([][][]pipeline.StepCost, n)
	files := 0.0
	for turn := range max(1, *rounds) {
		for _, script := range b.scripted() {
			said, err := b.ask(script)
			if err != nil {
				return err
			}
			b.told[script] = append(b.told[script], said)
		}
		for i, path := range b.photos {
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			// Once without counting, as in a folder of photos: after a rest memory has to
			// be asked for anew.
			for counts := range 2 {
				start := processor()
				m, err := gocv.IMDecode(data, gocv.IMReadColor)
				if err != nil || m.Empty() {
					return fmt.Errorf("%s: OpenCV can't decode it", path)
				}
				decoded := processor() - start
				m.Close()
				start = processor()
				stages, photo, err := pipeline.Costs(path, filepath.Join(b.dir, "costs"))
				if err != nil {
					return err
				}
				spent := processor() - start
				if photo.Error != "" {
					return fmt.Errorf("%s: %s", path, photo.Error)
				}
				if counts == 0 {
					continue
				}
				decode[i], cost[i], steps[i] = append(decode[i], decoded), append(cost[i], spent), append(steps[i], stages)
				b.own[path] = photo
			}
			if turn == 0 {
				files += float64(len(data)) / 1e6
			}
		}
	}
	marbles, floor := 0, 0.0
	shares := map[string]float64{}
	for i, path := range b.photos {
		marbles += len(b.own[path].Marbles)
		floor += decode[i][middle(decode[i])] / float64(n)
		b.cost += cost[i][middle(cost[i])] / float64(n)
		for _, s := range steps[i][middle(cost[i])] {
			shares[s.Step] += s.Seconds / float64(n)
		}
	}
	b.tell("photos of 12 megapixels, each measured by itself", fmt.Sprint(n))
	b.tell("marbles found in a photo, mean", fmt.Sprintf("%.1f", float64(marbles)/float64(n)))
	b.tell("file, mean", fmt.Sprintf("%.1f MB", files/float64(n)))
	b.tell("OpenCV decodes it once, processor time", fmt.Sprintf("%.3f s", floor))
	b.tell("Tawsight measures it and writes all results", fmt.Sprintf("%.3f s", b.cost))
	b.bound("   over decoding it once", b.cost/floor, "%.1f", "<=", 5.0)
	for _, s := range steps[0][0] {
		b.tell("   "+s.Step, fmt.Sprintf("%.3f s %3.0f %%", shares[s.Step], 100*shares[s.Step]/b.cost))
	}
	return nil
}

// circle is a marble as a script found it.
type circle struct {
	CX float64  `json:"cx"`
	CY float64  `json:"cy"`
	R  float64  `json:"r"`
	MM *float64 `json:"mm"`
}

type scripted struct {
	Photo   string   `json:"photo"`
	CPU     float64  `json:"cpu_seconds"`
	Marbles []circle `json:"marbles"`
}

// scripted are the scripts that are asked for.
func (b *bench) scripted() []string {
	if !strings.Contains("python", *only) {
		return nil
	}
	return []string{skimage, circles}
}

// ask has a script measure the photos.
func (b *bench) ask(script string) (said []scripted, err error) {
	cmd := exec.Command(*python, append([]string{script}, b.photos...)...)
	cmd.Stderr = os.Stderr
	text, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s %s: %w (apt install python3-skimage python3-sklearn python3-opencv)", *python, script, err)
	}
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		var r scripted
		if err := json.Unmarshal(lines.Bytes(), &r); err != nil {
			return nil, fmt.Errorf("%s: %w", script, err)
		}
		said = append(said, r)
	}
	return said, lines.Err()
}

// scripts compares with what a collector would write in Python.
func (b *bench) scripts() error {
	own := map[string][]circle{}
	for path, p := range b.own {
		for _, m := range p.Marbles {
			own[path] = append(own[path], circle{m.Outline.CxPX, m.Outline.CyPX, (m.Outline.SemiMajorPX + m.Outline.SemiMinorPX) / 2, m.DiameterMM})
		}
	}
	mine, found, of, err := b.errors(own)
	if err != nil {
		return err
	}
	b.tell("Tawsight: marbles found of those whole in the photo", fmt.Sprintf("%d of %d", found, of))
	b.tell("   median error of their diameters", fmt.Sprintf("%.3f mm", mine))
	for _, s := range []struct {
		file, name string
		check      func(cost, off float64)
	}{
		{skimage, "scikit-image and scikit-learn, the same work", func(cost, off float64) {
			b.bound("   its time over Tawsight's", cost/b.cost, "%.1f", ">=", 5)
		}},
		{circles, "bare OpenCV: chessboard, Hough circles, flat sizes", func(cost, off float64) {
			b.bound("   Tawsight's time over its", b.cost/cost, "%.2f", "<=", 1.5)
			b.bound("   its median error over Tawsight's", off/mine, "%.1f", ">=", 3)
		}},
	} {
		out, seconds := map[string][]circle{}, map[string][]float64{}
		for _, said := range b.told[s.file] {
			for _, r := range said {
				out[r.Photo], seconds[r.Photo] = r.Marbles, append(seconds[r.Photo], r.CPU)
			}
		}
		cost := 0.0
		for _, c := range seconds {
			cost += c[middle(c)] / float64(len(seconds))
		}
		off, found, of, err := b.errors(out)
		if err != nil {
			return err
		}
		b.tell(s.name+", processor time", fmt.Sprintf("%.3f s", cost))
		b.tell("   marbles found", fmt.Sprintf("%d of %d", found, of))
		b.tell("   median error of their diameters", fmt.Sprintf("%.3f mm", off))
		s.check(cost, off)
	}
	return nil
}

// errors scores circles against the truth: the median error of the diameters of
// marbles found (their middle within half a radius of the true one), mm; how many
// were found; and of how many that are whole in the photo.
func (b *bench) errors(found map[string][]circle) (median float64, n, of int, err error) {
	var off []float64
	for _, path := range b.photos {
		name := strings.TrimSuffix(filepath.Base(path), filepath.Ext(path)) + ".json"
		truth, err := samples.LoadTruth(filepath.Join(*truthDir, name))
		if err != nil {
			return 0, 0, 0, err
		}
		for _, m := range truth.Marbles {
			e := m.Ellipse
			if m.CutOff {
				continue
			}
			of++
			best, d := -1, 0.5*e.SemiMajor
			for i, c := range found[path] {
				if q := math.Hypot(c.CX-e.CX, c.CY-e.CY); q < d {
					best, d = i, q
				}
			}
			if best < 0 {
				continue
			}
			n++
			if mm := found[path][best].MM; mm != nil {
				off = append(off, math.Abs(*mm-m.DiameterMM))
			}
		}
	}
	if len(off) == 0 {
		return math.NaN(), n, of, nil
	}
	slices.Sort(off)
	return off[len(off)/2], n, of, nil
}

// copies makes n photos that differ in content, by some bytes after their end.
func (b *bench) copies(folder string, n int) (string, error) {
	dir := filepath.Join(b.dir, folder)
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return "", err
	}
	for i := range n {
		data, err := os.ReadFile(b.photos[i%len(b.photos)])
		if err != nil {
			return "", err
		}
		name := filepath.Join(dir, fmt.Sprintf("p%05d.jpg", i))
		if err := os.WriteFile(name, fmt.Appendf(data, "\n%s %d", folder, i), 0o666); err != nil {
			return "", err
		}
		// As photos that have lain there a while: of one changed only just nothing is
		// noted, since it may change again within the clock's step.
		old := time.Now().Add(-time.Hour)
		if err := os.Chtimes(name, old, old); err != nil {
			return "", err
		}
	}
	return dir, nil
}

// spent is what one run of the program took.
type spent struct {
	wall, cpu float64 // seconds
	peakMB    float64 // all its processes together
}

// program runs the program. Its memory is watched where that is asked for; that
// takes the kernel time and keeps the program waiting, so its clock then says
// little.
func (b *bench) program(watch bool, args ...string) (s spent, err error) {
	cmd := exec.Command(*tawsight, args...)
	cmd.Env = append(os.Environ(), "XDG_CACHE_HOME="+filepath.Join(b.dir, "cache"))
	var said bytes.Buffer
	cmd.Stderr = &said
	start := time.Now()
	if err := cmd.Start(); err != nil {
		return s, fmt.Errorf("%w (make build makes it)", err)
	}
	stop := make(chan struct{})
	peak := make(chan float64)
	go func() {
		most := 0.0
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				peak <- most
				return
			case <-tick.C:
				if !watch {
					continue
				}
				most = math.Max(most, familyMB(cmd.Process.Pid))
			}
		}
	}()
	err = cmd.Wait()
	s.wall = time.Since(start).Seconds()
	close(stop)
	s.peakMB = <-peak
	if err != nil {
		return s, fmt.Errorf("%w: %s", err, said.String())
	}
	// The workers' too: they have been waited for.
	s.cpu = (cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()).Seconds()
	return s, nil
}

// familyMB is what a process and its children have in memory, what they share
// counted once.
func familyMB(pid int) float64 {
	sum := proportionalMB(pid)
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, name := range stats {
		text, err := os.ReadFile(name)
		if err != nil {
			continue
		}
		i := bytes.LastIndexByte(text, ')')
		var state string
		var child, parent int
		if _, err := fmt.Sscanf(string(text[i+1:]), " %1s %d", &state, &parent); i < 0 || err != nil || parent != pid {
			continue
		}
		fmt.Sscanf(string(text), "%d", &child)
		sum += proportionalMB(child)
	}
	return sum
}

func proportionalMB(pid int) float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/smaps_rollup", pid))
	if err != nil {
		return 0
	}
	for _, line := range strings.Split(string(text), "\n") {
		var kb float64
		if n, _ := fmt.Sscanf(line, "Pss: %f kB", &kb); n == 1 {
			return kb / 1024
		}
	}
	return 0
}

func (b *bench) workers() error {
	// Starting takes each process a third of a second: enough photos that it
	// hardly counts.
	const photos = 96.0
	dir, err := b.copies("workers", photos)
	if err != nil {
		return err
	}
	// One and two take turns, as in costs; each writes into a folder of its own, since
	// replacing files takes some systems much longer.
	var wall, cpu [2][]float64
	for turn := range 3 {
		for i := range wall {
			out := filepath.Join(b.dir, fmt.Sprintf("out-workers-%d-%d", i+1, turn))
			s, err := b.program(false, "measure", dir, "--no-cache", "--out", out, "--workers", fmt.Sprint(i+1))
			if err != nil {
				return err
			}
			wall[i], cpu[i] = append(wall[i], s.wall), append(cpu[i], s.cpu)
		}
	}
	of := func(turns [2][]float64, i int) float64 { return turns[i][middle(turns[i])] }
	b.bound("two workers, photos a second over one's", of(wall, 0)/of(wall, 1), "%.2f", ">=", 1.8)
	b.tell("   processor time of two over one's", fmt.Sprintf("%.2f", of(cpu, 1)/of(cpu, 0)))
	b.tell("   photos a second, two workers", fmt.Sprintf("%.2f", photos/of(wall, 1)))
	return nil
}

func (b *bench) evenness() error {
	if *long {
		*few, *many = 100, 2000
	}
	few, many := *few, *many
	var s [2]spent
	for i, n := range []int{few, many} {
		dir, err := b.copies(fmt.Sprint("even-", n), n)
		if err != nil {
			return err
		}
		if s[i], err = b.program(true, "measure", dir, "--no-cache", "--out", filepath.Join(b.dir, fmt.Sprint("out-even-", n)), "--workers", "2"); err != nil {
			return err
		}
		if err := os.RemoveAll(dir); err != nil {
			return err
		}
	}
	b.bound(fmt.Sprintf("peak memory, two workers, %d photos, MB", many), s[1].peakMB, "%.0f", "<=", 300)
	b.bound(fmt.Sprintf("   over that of %d photos", few), s[1].peakMB/s[0].peakMB, "%.2f", "<=", 1.1)
	b.bound(fmt.Sprintf("processor time a photo, %d photos over %d", many, few), s[1].cpu/float64(many)/(s[0].cpu/float64(few)), "%.2f", "<=", 1.1)
	b.tell("   processor time a photo, the whole command", fmt.Sprintf("%.3f s", s[1].cpu/float64(many)))
	b.tell("   100,000 such photos, hours of one core", fmt.Sprintf("%.0f", s[1].cpu/float64(many)*1e5/3600))
	return nil
}

func (b *bench) cache() error {
	n := 64
	if *long {
		n = 400
	}
	dir, err := b.copies("cache", n)
	if err != nil {
		return err
	}
	var s [3]spent
	for i, out := range []string{"out-cache", "out-cache", "out-cache-elsewhere"} {
		if s[i], err = b.program(false, "measure", dir, "--out", filepath.Join(b.dir, out)); err != nil {
			return err
		}
	}
	// Starting the program takes as long as recalling a hundred photos.
	start, err := b.program(false, "version")
	if err != nil {
		return err
	}
	b.bound("unchanged photos a second, a second run, the program's start left out", float64(n)/math.Max(1e-3, s[1].wall-start.wall), "%.0f", ">=", 200)
	b.tell("   with the start", fmt.Sprintf("%.0f", float64(n)/s[1].wall))
	b.tell("   into another folder, with the start", fmt.Sprintf("%.0f", float64(n)/s[2].wall))
	b.tell("   processor time a photo", fmt.Sprintf("%.1f ms", 1000*s[1].cpu/float64(n)))
	return nil
}
