package web

import (
	"net/http"
	"net/url"
	"strings"

	"tawsight/internal/collection"
	"tawsight/internal/refset"
)

// editMarble makes one edit of the marble that the address names, from the
// fields of a form, and leads back to the marble's page.
func (s *Server) editMarble(w http.ResponseWriter, r *http.Request, change func(c *collection.Collection, id string, f url.Values) (collection.Edit, error)) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return err
	}
	id := r.PathValue("id")
	e, err := change(c, id, r.PostForm)
	return s.edited(w, r, back(r, "/marbles/"+id), e, err)
}

// leftOpen is the choice among the sets that stands for none of them.
const leftOpen = "open"

func (s *Server) labelMarble(w http.ResponseWriter, r *http.Request) error {
	return s.editMarble(w, r, func(c *collection.Collection, id string, f url.Values) (collection.Edit, error) {
		d := collection.Decision{Sure: collection.Sure(f.Get("sure")), Evidence: f.Get("evidence")}
		switch set, name := f.Get("set"), strings.TrimSpace(f.Get("new_set")); {
		case name != "":
			d.SetName = name
		case set == leftOpen:
		case set != "":
			d.SetID = set
		default:
			return collection.Edit{}, badRequest("No set was chosen", "Go back and choose a set, or write the name of a new one. To leave the marble undecided, choose that.")
		}
		return c.Decide(r.Context(), "", d, id)
	})
}

func (s *Server) conditionMarble(w http.ResponseWriter, r *http.Request) error {
	return s.editMarble(w, r, func(c *collection.Collection, id string, f url.Values) (collection.Edit, error) {
		return c.AddCondition(r.Context(), "", id, f.Get("grade"), f.Get("text"))
	})
}

func (s *Server) remarkMarble(w http.ResponseWriter, r *http.Request) error {
	return s.editMarble(w, r, func(c *collection.Collection, id string, f url.Values) (collection.Edit, error) {
		return c.AddRemark(r.Context(), "", id, f.Get("text"))
	})
}

func (s *Server) tagMarble(w http.ResponseWriter, r *http.Request) error {
	return s.editMarble(w, r, func(c *collection.Collection, id string, f url.Values) (collection.Edit, error) {
		return c.SetTags(r.Context(), "", id, strings.Split(f.Get("tags"), ","))
	})
}

func (s *Server) describeMarble(w http.ResponseWriter, r *http.Request) error {
	return s.editMarble(w, r, func(c *collection.Collection, id string, f url.Values) (collection.Edit, error) {
		return c.Describe(r.Context(), "", id, collection.Description{
			Name: f.Get("name"), Provenance: f.Get("provenance"), Contributor: f.Get("contributor"), Permission: refset.Permission(f.Get("permission")),
		})
	})
}

func (s *Server) joinMarble(w http.ResponseWriter, r *http.Request) error {
	return s.editMarble(w, r, func(c *collection.Collection, id string, f url.Values) (collection.Edit, error) {
		other := f.Get("other")
		if other == "" {
			return collection.Edit{}, badRequest("No marble was chosen", "Go back and choose the marble that is the same as this one.")
		}
		return c.Join(r.Context(), "", id, other)
	})
}

func (s *Server) partMarble(w http.ResponseWriter, r *http.Request) error {
	return s.editMarble(w, r, func(c *collection.Collection, id string, f url.Values) (collection.Edit, error) {
		_, e, err := c.Part(r.Context(), "", f.Get("sighting"))
		return e, err
	})
}
