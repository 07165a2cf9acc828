package web

import (
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tawsight/calib"
	"tawsight/internal/collection"
	"tawsight/internal/desk"
	"tawsight/internal/intake"
	"tawsight/internal/quality"
	"tawsight/internal/record"
	"tawsight/vision"
)

// formUploadMost is how many bytes one form may bring, all its photos together;
// each has its own limit besides (vision.MaxFileBytes).
const formUploadMost = 8 << 30

// uploadPatience is how long nothing may come of a photo being sent.
const uploadPatience = 30 * time.Second

// patient reads a body that may take long as a whole, so long as it gets along.
type patient struct {
	io.Reader
	line *http.ResponseController
}

func (p patient) Read(b []byte) (int, error) {
	now := time.Now()
	_ = p.line.SetReadDeadline(now.Add(uploadPatience))
	n, err := p.Reader.Read(b)
	// What follows the body is due from here on.
	_ = p.line.SetWriteDeadline(time.Now().Add(usualTimes.write))
	return n, err
}

func newPatient(w http.ResponseWriter, r *http.Request) patient {
	return patient{r.Body, http.NewResponseController(w)}
}

// wantsJSON tells whether a script asks.
func wantsJSON(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "application/json")
}

// checkBar reads how long the card's long line was found to be, mm; 0 where
// nothing was said.
func checkBar(s string) (float64, error) {
	s = strings.TrimSpace(strings.Replace(s, ",", ".", 1))
	if s == "" {
		return 0, nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err == nil {
		_, err = calib.ScaleFromCheckBar(v)
	}
	if err != nil || v == 0 {
		return 0, badRequest("That can’t be the length of the long line", fmt.Sprintf("It is %.0f mm on a true print, and yours will be near to that. Measure the long line at the foot of the card with a ruler, in millimetres, or leave the field empty.", calib.CheckBarMM))
	}
	return v, nil
}

// beginIntake begins an intake. A script then sends the photos one by one to
// receiveFile; a plain form brings them along.
func (s *Server) beginIntake(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	if wantsJSON(r) {
		by, err := askedBy(r.FormValue("check_bar_mm"), r.FormValue("ruler"), r.FormValue("dpi"))
		if err != nil {
			return err
		}
		i, err := p.Intake.Begin(r.Context(), "", "the page", by)
		if err != nil {
			return err
		}
		return answerJSON(w, http.StatusCreated, map[string]string{"id": i.ID, "page": "/intakes/" + i.ID})
	}
	r.Body = io.NopCloser(newPatient(w, r))
	form, err := r.MultipartReader()
	if err != nil {
		return badRequest("No photo came", "Choose at least one photo, then press the button.")
	}
	id, refused, err := s.receiveForm(p, r, form)
	if err != nil {
		return err
	}
	if id == "" {
		return badRequest("No photo came", "Choose at least one photo, then press the button.")
	}
	to := "/intakes/" + id
	if refused > 0 {
		to += "?refused=" + strconv.Itoa(refused)
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}

// receiveForm takes the photos of a form as they come, and says how many files
// were refused. Fields come before files in the page's form, so the check bar and
// the ruler are known by then.
func (s *Server) receiveForm(p *desk.Place, r *http.Request, form *multipart.Reader) (id string, refused int, err error) {
	var why []string
	fields := map[string]string{}
	for {
		part, err := form.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return id, 0, formProblem(err)
		}
		switch name := part.FormName(); name {
		case "check_bar_mm", "ruler", "dpi":
			text, err := io.ReadAll(io.LimitReader(part, 64))
			if err != nil {
				return id, 0, uploadProblem(err)
			}
			fields[name] = string(text)
		case "photos":
			if part.FileName() == "" {
				continue // nothing chosen
			}
			if id == "" {
				by, err := askedBy(fields["check_bar_mm"], fields["ruler"], fields["dpi"])
				if err != nil {
					return id, 0, err
				}
				i, err := p.Intake.Begin(r.Context(), "", "the page", by)
				if err != nil {
					return id, 0, err
				}
				id = i.ID
			}
			_, err := p.Intake.Receive(r.Context(), id, part.FileName(), part)
			switch {
			case errors.Is(err, intake.ErrNotAPhoto), errors.Is(err, intake.ErrTooLarge):
				why = append(why, err.Error())
			case err != nil:
				return id, 0, uploadProblem(err)
			}
		}
	}
	if len(why) > 0 {
		i, err := p.Collection.Intake(r.Context(), id)
		if err != nil {
			return id, 0, err
		}
		if i.Total() == 0 {
			return id, 0, badRequest("None of that could be taken", sentence(strings.Join(why, ". ")))
		}
		s.log.Info("files were not taken", "intake", id, "why", why)
	}
	return id, len(why), nil
}

// uploadProblem is a photo that did not come whole.
func uploadProblem(err error) error {
	if large := (*http.MaxBytesError)(nil); errors.As(err, &large) {
		return err
	}
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return problem{status: http.StatusBadRequest, what: "The photos did not come whole", advice: "Send them again: those that came whole are kept, and not taken twice.", cause: err}
	}
	return err
}

// formProblem is a form that is damaged between its parts, or ends there: it came
// so, and the server is not at fault.
func formProblem(err error) error {
	if large := (*http.MaxBytesError)(nil); errors.As(err, &large) || errors.Is(err, io.ErrUnexpectedEOF) {
		return uploadProblem(err)
	}
	return uploadProblem(fmt.Errorf("%w: %w", io.ErrUnexpectedEOF, err))
}

// received is what a script is told of a photo it sent.
type received struct {
	File string `json:"file"`
	// Known: the collection has the photo already.
	Known bool `json:"known"`
}

// receiveFile takes one photo: the body is the file, the parameter name its
// name.
func (s *Server) receiveFile(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	p, err := s.place()
	if err != nil {
		return err
	}
	i, err := p.Collection.Intake(ctx, r.PathValue("id"))
	if err != nil {
		return err
	}
	f, err := p.Intake.Receive(ctx, i.ID, r.URL.Query().Get("name"), newPatient(w, r))
	switch {
	case errors.Is(err, intake.ErrNotAPhoto):
		return problem{status: http.StatusUnsupportedMediaType, what: sentence(err.Error()), cause: err}
	case errors.Is(err, intake.ErrTooLarge):
		return problem{status: http.StatusRequestEntityTooLarge, what: sentence(err.Error()), cause: err}
	case err != nil:
		return uploadProblem(err)
	}
	out := received{File: f.ID}
	// The file's place is named by its content.
	sha := f.Path[strings.LastIndexAny(f.Path, `/\`)+1:]
	if sha, _, _ = strings.Cut(sha, "."); sha != "" {
		_, err := p.Collection.Photo(ctx, sha)
		out.Known = err == nil
	}
	return answerJSON(w, http.StatusCreated, out)
}

// fileView is one file of an intake as it is listed.
type fileView struct {
	collection.IntakeFile
	Photo   string // SHA-256, where it is in the collection
	Marbles int
	Chips   []chip
	Poor    string // the photo's worst fault, with what to do
}

// Word is the file's state in plain words.
func (v fileView) Word() string {
	return map[collection.FileState]string{
		collection.Waiting: "waiting for its turn", collection.Measuring: "being measured", collection.FileDone: "measured",
		collection.Known: "in your collection already", collection.Failed: "not read",
	}[v.State]
}

func (s *Server) viewFile(r *http.Request, p *desk.Place, f collection.IntakeFile) (fileView, error) {
	v := fileView{IntakeFile: f}
	if f.State != collection.FileDone && f.State != collection.Known {
		return v, nil
	}
	photo, err := p.Collection.Photo(r.Context(), f.Photo)
	if errors.Is(err, collection.ErrNotFound) {
		return v, nil
	}
	if err != nil {
		return v, err
	}
	v.Photo, v.Marbles, v.Chips = photo.SHA256, len(photo.Record.Marbles), verdictChips(photo.Record.Verdict)
	if w := photo.Record.Verdict; w.Size != record.Good || w.Colour != record.Good || w.Pattern != record.Good {
		if flag, ok := quality.Worst(photo.Record.Flags); ok {
			v.Poor = sentence(flag.Message) + " " + sentence(flag.Advice)
		}
	}
	return v, nil
}

// intakeFilesShown is how many files of an intake its page lists.
const intakeFilesShown = 300

// intakeData fills intake.html.
type intakeData struct {
	intakeLine
	Files  []fileView
	Hidden int
	Others []intakeLine // that wait too
	After  string       // the latest event this page knows
	// Refused is how many files of the form that led here were not taken.
	Refused int
	Drop    dropData
}

// Said is the whole progress in words.
func (v intakeData) Said() string {
	total := v.Total()
	switch {
	case total == 0:
		return "No photo has come yet."
	case v.Finished == "" && v.Done < total:
		return fmt.Sprintf("%d of %s done.", v.Done, count(total, "photo"))
	case v.Finished == "":
		return count(total, "photo") + " measured; comparing with your sets."
	}
	text := count(total, "photo") + " done"
	if v.Failed > 0 {
		text += fmt.Sprintf(", %d of them could not be read", v.Failed)
	}
	if k := v.Intake.Files[collection.Known]; k > 0 {
		text += fmt.Sprintf(", %d in your collection already", k)
	}
	return text + "."
}

// PhotoMost is how large a photo may be.
func (v intakeData) PhotoMost() string { return bytesInWords(vision.MaxFileBytes) }

// By is what was said of the photos' scale, in words; empty where nothing was.
func (v intakeData) By() string {
	var out []string
	if v.Intake.Ruler.Named() {
		out = append(out, "Ruler: "+v.Intake.Ruler.Words()+".")
	}
	if v.Intake.CheckBarMM > 0 {
		out = append(out, fmt.Sprintf("Long line of the card: %.1f mm.", v.Intake.CheckBarMM))
	}
	return strings.Join(out, " ")
}

// Open tells whether something of it is still to be done.
func (v intakeData) Open() bool { return v.Finished == "" && v.Total() > 0 }

// FilesTotal is how many files the intake has.
func (v intakeData) FilesTotal() int { return v.Total() }

func (s *Server) showIntake(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	p, err := s.place()
	if err != nil {
		return err
	}
	after := s.events.Latest() // before reading: what happens meanwhile is told again
	i, err := p.Collection.Intake(ctx, r.PathValue("id"))
	if err != nil {
		return err
	}
	files, err := p.Collection.IntakeFiles(ctx, i.ID)
	if err != nil {
		return err
	}
	data := intakeData{intakeLine: lineOf(i), After: after, Drop: dropOf(i)}
	data.Drop.IntakeID = i.ID
	// What failed needs the reader most.
	slices.SortStableFunc(files, func(a, b collection.IntakeFile) int { return fileRank(a.State) - fileRank(b.State) })
	if len(files) > intakeFilesShown {
		data.Hidden = len(files) - intakeFilesShown
		files = files[:intakeFilesShown]
	}
	for _, f := range files {
		v, err := s.viewFile(r, p, f)
		if err != nil {
			return err
		}
		data.Files = append(data.Files, v)
	}
	if n, err := strconv.Atoi(r.URL.Query().Get("refused")); err == nil && n > 0 {
		data.Refused = n
	}
	open, err := p.Collection.Unfinished(ctx)
	if err != nil {
		return err
	}
	for _, o := range open {
		if o.ID != i.ID && o.Total() > 0 {
			data.Others = append(data.Others, lineOf(o))
		}
	}
	return s.page(w, r, "intake.html", data)
}

func fileRank(s collection.FileState) int {
	return slices.Index([]collection.FileState{collection.Failed, collection.Measuring, collection.FileDone, collection.Known, collection.Waiting}, s)
}

// showFile is one file's entry in the list, for a script that keeps the list up
// to date.
func (s *Server) showFile(w http.ResponseWriter, r *http.Request) error {
	p, err := s.place()
	if err != nil {
		return err
	}
	f, err := p.Collection.IntakeFile(r.Context(), r.PathValue("id"), r.PathValue("file"))
	if errors.Is(err, collection.ErrNotFound) {
		return notFound("There is no such file")
	}
	if err != nil {
		return err
	}
	v, err := s.viewFile(r, p, f)
	if err != nil {
		return err
	}
	return s.fragment(w, "intake.html", "intake-file", v)
}
