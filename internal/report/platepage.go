package report

import "io"

func (p *Plate) writeHTML(w io.Writer) error { _, err := io.WriteString(w, plateMark); return err }
