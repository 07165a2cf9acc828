package collection

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"tawsight/internal/colour"
)

// Filter says which specimens to list. The zero value lists all.
type Filter struct {
	IDs         []string // these alone; nil for no bound
	Words       string   // each must occur somewhere: name, tags, notes, colours, contributor
	SizeClass   string
	MinMM       float64 // 0 for no bound
	MaxMM       float64
	Colour      *ColourNear
	BaseKind    string // transparent, cloudy or opaque
	Translucent *Range // 0..1
	Busy        *Range // 0..1
	SetID       string
	States      []State // any of them; none for all
	Contributor string  // an id
	Tag         string
	TakenFrom   string // ISO 8601 dates; a photo without a date is not within any bounds
	TakenTo     string
	AddedFrom   string
	AddedTo     string
	Photo       string // SHA-256: what is seen in it
	Poor        *bool  // by a photo too poor to judge
	Bubble      *bool
	Glows       *bool // seen to glow under ultraviolet light, or seen not to
	Sort        Sort
	Reverse     bool
	Limit       int // 0 for no limit
	Offset      int
}

// Range is from Low to High, both included.
type Range struct{ Low, High float64 }

// ColourNear picks specimens that have a colour within DE00 of Lab (CIEDE2000).
type ColourNear struct {
	Lab  [3]float64
	DE00 float64
	Part string // base, ribbon, or empty for either
}

// Sort is the order of a list.
type Sort string

const (
	ByAdded        Sort = "added" // the latest first
	ByTitle        Sort = "title"
	BySize         Sort = "size" // the smallest first
	ByTranslucency Sort = "translucency"
	ByBusyness     Sort = "busyness"
	BySet          Sort = "set"
	ByDoubt        Sort = "doubt" // the most doubtful first
	ByTaken        Sort = "taken" // the latest first
	ByColour       Sort = "colour"
)

// Sorts are all orders; ByColour is by nearness to the colour picked, and by
// lightness where none is.
var Sorts = []Sort{ByAdded, ByTitle, BySize, ByTranslucency, ByBusyness, BySet, ByDoubt, ByTaken, ByColour}

// orders are in SQL, with what breaks ties left to the end.
var orders = map[Sort][2]string{
	ByAdded:        {"n.added DESC", "n.added"},
	ByTitle:        {"n.title_order", "n.title_order DESC"},
	BySize:         {"n.diameter_mm IS NULL, n.diameter_mm", "n.diameter_mm IS NULL, n.diameter_mm DESC"},
	ByTranslucency: {"n.translucency IS NULL, n.translucency", "n.translucency IS NULL, n.translucency DESC"},
	ByBusyness:     {"n.busyness IS NULL, n.busyness", "n.busyness IS NULL, n.busyness DESC"},
	BySet:          {"t.name IS NULL, t.name", "t.name IS NULL, t.name DESC"},
	ByDoubt:        {"n.doubt DESC", "n.doubt"},
	ByTaken:        {"n.taken = '', n.taken DESC", "n.taken = '', n.taken"},
	ByColour:       {"n.base_l IS NULL, n.base_l DESC", "n.base_l IS NULL, n.base_l"},
}

// Row is one specimen in a list.
type Row struct {
	ID, Title, FigureID, Photo string
	Number, Sightings          int
	DiameterMM, DiameterU95MM  *float64
	SizeClass                  string
	BaseKind, BaseLook         string
	BaseName                   string
	BaseLab                    *[3]float64
	Ribbons                    int
	RibbonName                 string
	RibbonLab                  *[3]float64
	Translucency, Busyness     *float64
	Bubble                     *bool
	Glow                       *float64 // share of its face
	SetID, Set                 string
	Sure                       Sure
	State                      State
	OpinionSetID, OpinionSet   string
	OpinionP                   float64
	NextSetID, NextSet         string
	NextP                      float64
	ContributorID, Contributor string
	Taken, Added               string
	Poor                       bool
	// DE00 is how far its nearest colour is from the one picked; 0 where none is.
	DE00 float64
}

const rowColumns = `SELECT n.specimen_id, n.title, n.figure_id, n.photo, n.number, n.sightings, n.diameter_mm, n.diameter_u95_mm, n.size_class,
	n.base_kind, n.base_look, n.base_name, n.base_l, n.base_a, n.base_b, n.ribbons, n.ribbon_name, n.ribbon_l, n.ribbon_a, n.ribbon_b,
	n.translucency, n.busyness, n.bubble, n.glow, coalesce(n.set_id, ''), coalesce(t.name, ''), n.sure, n.state,
	coalesce(n.opinion_set_id, ''), coalesce(o.name, ''), coalesce(n.opinion_p, 0), coalesce(n.next_set_id, ''), coalesce(x.name, ''), coalesce(n.next_p, 0),
	coalesce(n.contributor_id, ''), coalesce(k.name, ''), n.taken, n.added, n.poor` + rowFrom

const rowFrom = ` FROM specimen_now n LEFT JOIN label_set t ON t.id = n.set_id LEFT JOIN label_set o ON o.id = n.opinion_set_id
	LEFT JOIN label_set x ON x.id = n.next_set_id LEFT JOIN contributor k ON k.id = n.contributor_id`

func scanRow(s scanner) (r Row, err error) {
	var base, ribbon [3]sql.NullFloat64
	err = s.Scan(&r.ID, &r.Title, &r.FigureID, &r.Photo, &r.Number, &r.Sightings, &r.DiameterMM, &r.DiameterU95MM, &r.SizeClass,
		&r.BaseKind, &r.BaseLook, &r.BaseName, &base[0], &base[1], &base[2], &r.Ribbons, &r.RibbonName, &ribbon[0], &ribbon[1], &ribbon[2],
		&r.Translucency, &r.Busyness, &r.Bubble, &r.Glow, &r.SetID, &r.Set, (*string)(&r.Sure), (*string)(&r.State),
		&r.OpinionSetID, &r.OpinionSet, &r.OpinionP, &r.NextSetID, &r.NextSet, &r.NextP,
		&r.ContributorID, &r.Contributor, &r.Taken, &r.Added, &r.Poor)
	r.BaseLab, r.RibbonLab = labOf(base), labOf(ribbon)
	return r, err
}

func labOf(v [3]sql.NullFloat64) *[3]float64 {
	if !v[0].Valid {
		return nil
	}
	return &[3]float64{v[0].Float64, v[1].Float64, v[2].Float64}
}

// Find lists specimens, and says how many there are with the limit taken off.
func (c *Collection) Find(ctx context.Context, f Filter) (rows []Row, total int, err error) {
	where, args := f.where()
	var near map[string]float64
	if f.Colour != nil {
		if near, err = c.near(ctx, *f.Colour); err != nil {
			return nil, 0, err
		}
	}
	if f.Colour != nil && f.Sort == ByColour {
		return c.nearest(ctx, f, near, where, args)
	}
	if f.Colour != nil {
		ids, err := json.Marshal(slices.Collect(keys(near)))
		if err != nil {
			return nil, 0, err
		}
		where, args = append(where, "n.specimen_id IN (SELECT value FROM json_each(?))"), append(args, string(ids))
	}
	condition := ""
	if len(where) > 0 {
		condition = " WHERE " + strings.Join(where, " AND ")
	}
	order, ok := orders[f.Sort]
	if !ok {
		order = orders[ByAdded]
	}
	limit := f.Limit
	if limit <= 0 {
		limit = -1
	}
	by := order[0]
	if f.Reverse {
		by = order[1]
	}
	if err := c.read.QueryRowContext(ctx, "SELECT count(*) FROM specimen_now n"+condition, args...).Scan(&total); err != nil {
		return nil, 0, fmt.Errorf("the collection can't be read: %w", err)
	}
	// What is put in order is ids alone: whole rows would be carried through the
	// sorting, those of all earlier pages too.
	by += ", n.title_order, n.specimen_id"
	rows, err = collect(ctx, c.read, scanRow, rowColumns+" WHERE n.specimen_id IN (SELECT n.specimen_id FROM specimen_now n LEFT JOIN label_set t ON t.id = n.set_id"+
		condition+" ORDER BY "+by+" LIMIT ? OFFSET ?) ORDER BY "+by, append(args, limit, max(0, f.Offset))...)
	if err != nil {
		return nil, 0, err
	}
	for i := range rows {
		rows[i].DE00 = near[rows[i].ID]
	}
	return rows, total, nil
}

// fewNear is up to how many specimens are looked up one by one; of more, all are
// read and the others passed over.
const fewNear = 2000

// nearest lists what is near to a colour in the order of nearness, which the
// database doesn't know: the ids are put in order here, and a page of them read.
func (c *Collection) nearest(ctx context.Context, f Filter, near map[string]float64, where []string, args []any) (rows []Row, total int, err error) {
	if len(near) <= fewNear {
		few, err := json.Marshal(slices.Collect(keys(near)))
		if err != nil {
			return nil, 0, err
		}
		where, args = append(where, "n.specimen_id IN (SELECT value FROM json_each(?))"), append(args, string(few))
	}
	condition := ""
	if len(where) > 0 {
		condition = " WHERE " + strings.Join(where, " AND ")
	}
	ids, err := collect(ctx, c.read, func(s scanner) (id string, err error) { return id, s.Scan(&id) },
		"SELECT n.specimen_id FROM specimen_now n"+condition+" ORDER BY n.specimen_id", args...)
	if err != nil {
		return nil, 0, err
	}
	ids = slices.DeleteFunc(ids, func(id string) bool { _, ok := near[id]; return !ok })
	total = len(ids)
	slices.SortStableFunc(ids, func(a, b string) int {
		if f.Reverse {
			a, b = b, a
		}
		return cmp.Compare(near[a], near[b])
	})
	ids = ids[min(max(0, f.Offset), len(ids)):]
	if f.Limit > 0 {
		ids = ids[:min(f.Limit, len(ids))]
	}
	page, err := json.Marshal(ids)
	if err != nil {
		return nil, 0, err
	}
	rows, err = collect(ctx, c.read, scanRow, rowColumns+" JOIN json_each(?) j ON j.value = n.specimen_id ORDER BY j.key", string(page))
	for i := range rows {
		rows[i].DE00 = near[rows[i].ID]
	}
	return rows, total, err
}

func keys(m map[string]float64) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// where is the filter in SQL, the colour excepted.
func (f Filter) where() (where []string, args []any) {
	add := func(condition string, values ...any) {
		where, args = append(where, condition), append(args, values...)
	}
	if f.IDs != nil {
		ids, _ := json.Marshal(f.IDs) // strings always can be
		add("n.specimen_id IN (SELECT value FROM json_each(?))", string(ids))
	}
	for _, w := range strings.Fields(strings.ToLower(f.Words)) {
		add("instr(n.words, ?) > 0", w)
	}
	if f.SizeClass != "" {
		add("n.size_class = ?", f.SizeClass)
	}
	if f.MinMM > 0 {
		add("n.diameter_mm >= ?", f.MinMM)
	}
	if f.MaxMM > 0 {
		add("n.diameter_mm <= ?", f.MaxMM)
	}
	if f.BaseKind != "" {
		add("n.base_kind = ?", f.BaseKind)
	}
	if r := f.Translucent; r != nil {
		add("n.translucency BETWEEN ? AND ?", r.Low, r.High)
	}
	if r := f.Busy; r != nil {
		add("n.busyness BETWEEN ? AND ?", r.Low, r.High)
	}
	if f.SetID != "" {
		add("n.set_id = ?", f.SetID)
	}
	if len(f.States) > 0 {
		marks := make([]string, len(f.States))
		var values []any
		for i, s := range f.States {
			marks[i], values = "?", append(values, string(s))
		}
		add("n.state IN ("+strings.Join(marks, ", ")+")", values...)
	}
	if f.Contributor != "" {
		add("n.contributor_id = ?", f.Contributor)
	}
	if f.Tag != "" {
		add("n.specimen_id IN (SELECT specimen_id FROM tag WHERE tag = ?)", f.Tag)
	}
	// A date stands for its whole day: "2026-05-02T10:11" is not after
	// "2026-05-02" and the highest character.
	for _, b := range []struct{ column, from, to string }{{"n.taken", f.TakenFrom, f.TakenTo}, {"n.added", f.AddedFrom, f.AddedTo}} {
		if b.from != "" {
			add(b.column+" >= ?", b.from)
		}
		if b.to != "" {
			add(b.column+" <> '' AND "+b.column+" <= ?", b.to+"\uffff")
		}
	}
	if f.Photo != "" {
		add("n.specimen_id IN (SELECT specimen_id FROM sighting WHERE photo = ?)", f.Photo)
	}
	if f.Poor != nil {
		add("n.poor = ?", *f.Poor)
	}
	if f.Bubble != nil {
		add("n.bubble = ?", *f.Bubble)
	}
	if f.Glows != nil {
		if *f.Glows {
			add("n.glow >= ?", glowsFrom)
		} else {
			add("n.glow < ?", glowsFrom)
		}
	}
	return where, args
}

// glowsFrom is the share of a face that glows at which a marble is said to; as
// in the report.
const glowsFrom = 0.02

// near are the specimens with a colour near to the one given, and how near.
func (c *Collection) near(ctx context.Context, n ColourNear) (map[string]float64, error) {
	// A difference in lightness alone is at least 1/1.75 of itself by CIEDE2000
	// (S_L is 1.747 at L* 0 and 100; CIE 142-2001), and chroma and hue never make
	// it less: so lightness bounds what need be looked at.
	reach := 1.8 * n.DE00
	lightest, darkest := n.Lab[0]+reach, n.Lab[0]-reach
	middle := (lightest + darkest) / 2
	type found struct {
		id string
		d  float64
	}
	// What takes long is reading the rows, so two connections read half of them
	// each.
	half := func(condition string, args ...any) ([]found, error) {
		query := "SELECT specimen_id, l, a, b FROM specimen_colour WHERE " + condition
		if n.Part != "" {
			query, args = query+" AND part = ?", append(args, n.Part)
		}
		return collect(ctx, c.read, func(s scanner) (f found, err error) {
			var lab [3]float64
			err = s.Scan(&f.id, &lab[0], &lab[1], &lab[2])
			f.d = colour.DeltaE00(lab, n.Lab)
			return f, err
		}, query, args...)
	}
	var light []found
	var lightErr error
	done := make(chan struct{})
	go func() {
		defer close(done)
		light, lightErr = half("l > ? AND l <= ?", middle, lightest)
	}()
	dark, err := half("l BETWEEN ? AND ?", darkest, middle)
	<-done
	if err = cmp.Or(err, lightErr); err != nil {
		return nil, err
	}
	out := map[string]float64{}
	for _, f := range append(dark, light...) {
		if have, ok := out[f.id]; f.d <= n.DE00 && (!ok || f.d < have) {
			out[f.id] = f.d
		}
	}
	return out, nil
}

// SizeClasses are the classes that occur, the smallest marbles' first.
func (c *Collection) SizeClasses(ctx context.Context) ([]string, error) {
	return collect(ctx, c.read, func(s scanner) (class string, err error) { return class, s.Scan(&class) },
		"SELECT size_class FROM specimen_now WHERE size_class <> '' GROUP BY size_class ORDER BY avg(diameter_mm)")
}

// FoundColour is one colour as found on one specimen.
type FoundColour struct {
	SpecimenID string
	Part       string // base or ribbon
	Lab        [3]float64
}

// Colours are all colours of all specimens as they stand.
func (c *Collection) Colours(ctx context.Context) ([]FoundColour, error) {
	return collect(ctx, c.read, func(s scanner) (f FoundColour, err error) {
		return f, s.Scan(&f.SpecimenID, &f.Part, &f.Lab[0], &f.Lab[1], &f.Lab[2])
	}, "SELECT specimen_id, part, l, a, b FROM specimen_colour ORDER BY specimen_id, part, place")
}

// Counts are how much there is of what.
type Counts struct {
	Photos, PoorPhotos, Specimens, Sets, Contributors int
	States                                            map[State]int
}

// Size is how many specimens there are: of all [Counts], the one that takes no
// time.
func (c *Collection) Size(ctx context.Context) (n int, err error) {
	if err := c.read.QueryRowContext(ctx, "SELECT count(*) FROM specimen_now").Scan(&n); err != nil {
		return 0, fmt.Errorf("the collection can't be read: %w", err)
	}
	return n, nil
}

// Counts counts.
func (c *Collection) Counts(ctx context.Context) (Counts, error) {
	n := Counts{States: map[State]int{}}
	err := c.read.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM photo), (SELECT count(*) FROM specimen_now),
		(SELECT count(*) FROM label_set WHERE retired = 0), (SELECT count(*) FROM contributor),
		(SELECT count(*) FROM photo p JOIN measurement m ON m.id = `+latestMeasurement+` WHERE
			'unusable' IN (json_extract(m.record, '$.verdict.size'), json_extract(m.record, '$.verdict.colour'), json_extract(m.record, '$.verdict.pattern')))`).
		Scan(&n.Photos, &n.Specimens, &n.Sets, &n.Contributors, &n.PoorPhotos)
	if err != nil {
		return n, fmt.Errorf("the collection can't be read: %w", err)
	}
	type count struct {
		state State
		n     int
	}
	all, err := collect(ctx, c.read, func(s scanner) (v count, err error) { return v, s.Scan((*string)(&v.state), &v.n) }, "SELECT state, count(*) FROM specimen_now GROUP BY state")
	for _, v := range all {
		n.States[v.state] = v.n
	}
	return n, err
}

// PoorPhotos are the photos that some kind of reading can't be relied on in, the
// latest first, without marbles.
func (c *Collection) PoorPhotos(ctx context.Context, limit, offset int) ([]Photo, error) {
	return collect(ctx, c.read, scanPhoto, photoColumns+` WHERE 'unusable' IN (json_extract(m.record, '$.verdict.size'),
		json_extract(m.record, '$.verdict.colour'), json_extract(m.record, '$.verdict.pattern'))
		OR 'doubtful' IN (json_extract(m.record, '$.verdict.size'), json_extract(m.record, '$.verdict.colour'), json_extract(m.record, '$.verdict.pattern'))
		ORDER BY p.added DESC, p.name, p.sha256 LIMIT ? OFFSET ?`, limit, offset)
}

// Tags are all tags in use, with how many specimens bear each.
func (c *Collection) Tags(ctx context.Context) (map[string]int, error) {
	type count struct {
		tag string
		n   int
	}
	all, err := collect(ctx, c.read, func(s scanner) (v count, err error) { return v, s.Scan(&v.tag, &v.n) }, "SELECT tag, count(*) FROM tag GROUP BY tag")
	out := map[string]int{}
	for _, v := range all {
		out[v.tag] = v.n
	}
	return out, err
}
