package web

import (
	"net/http"

	"tawsight/calib"
)

// homeData fills home.html.
type homeData struct {
	CheckBarMM float64
}

func (s *Server) home(w http.ResponseWriter, r *http.Request) error {
	return s.page(w, r, "home.html", homeData{CheckBarMM: calib.CheckBarMM})
}
