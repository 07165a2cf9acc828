package web

import (
	"net/http"

	"tawsight/internal/collection"
	"tawsight/internal/refset"
)

// person is a contributor with what they may allow.
type person struct {
	collection.Contributor
	Allows  string
	Choices []choice
}

type peopleData struct {
	People []person
}

// people are whom photos come from, and what they allow.
func (s *Server) people(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	all, err := c.Contributors(r.Context())
	if err != nil {
		return err
	}
	var d peopleData
	for _, k := range all {
		d.People = append(d.People, person{k, k.Permission.String(), permissionChoices(k.Permission)})
	}
	return s.page(w, r, "people.html", d)
}

// permissionChoices are all permissions, for a select.
func permissionChoices(chosen refset.Permission) (out []choice) {
	for _, p := range append([]refset.Permission{refset.NotSaid}, refset.Permissions...) {
		out = append(out, choice{string(p), p.String(), p == chosen})
	}
	return out
}

func (s *Server) editPerson(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	e, err := c.EditContributor(r.Context(), "", r.PathValue("id"), refset.Permission(r.PostFormValue("permission")), r.PostFormValue("note"))
	return s.edited(w, r, "/people", e, err)
}
