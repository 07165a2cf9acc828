package web

import (
	"net/http"
)

// isDemo tells whether the demo is shown.
func (s *Server) isDemo() bool { return s.desk != nil && s.desk.At().Demo }

// forward tells browsers, from now on, what happens to the files that are added
// at the place the page works at.
func (s *Server) forward() {
	if s.desk == nil {
		return
	}
	p := s.desk.At()
	s.forwarding.Lock()
	defer s.forwarding.Unlock()
	if s.forwarded[p] {
		return
	}
	s.forwarded[p] = true
	events, leave := p.Intake.Watch()
	go func() {
		defer leave()
		for {
			select {
			case <-s.life.Done():
				return
			case e := <-events:
				if err := s.events.Publish("intake", e); err != nil {
					s.log.Error("an event could not be told", "error", err)
				}
			}
		}
	}()
}

// enterDemo shows the demo, which is measured the first time.
func (s *Server) enterDemo(w http.ResponseWriter, r *http.Request) error {
	if _, err := s.place(); err != nil {
		return err
	}
	if err := s.desk.ShowDemo(r.Context()); err != nil {
		return err
	}
	s.forward()
	open, err := s.desk.At().Collection.Unfinished(r.Context())
	if err != nil {
		return err
	}
	to := "/"
	if len(open) > 0 {
		to = "/intakes/" + open[0].ID
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}

// leaveDemo shows the collector's own collection again.
func (s *Server) leaveDemo(w http.ResponseWriter, r *http.Request) error {
	if _, err := s.place(); err != nil {
		return err
	}
	s.desk.ShowOwn()
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}
