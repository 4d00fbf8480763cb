package sheet

// step writes one bath. On the pages that it goes on to its heading stands again.
func (d *pdfPage) step(s Step) {
	d.needs(9 * line)
	if s.Day != "" {
		d.doc.Ln(2)
		d.font("B", 13)
		d.doc.MultiCell(0, 7, d.text(s.Day), "B", "L", false)
	}
	d.doc.Ln(2)
	d.font("B", 12)
	d.par(6, s.Heading)
	d.font("", bodyPt)
	d.within = s.Heading
	d.standing(s.Standing, s.Released)
	d.par(line, "Pieces: "+s.Pieces)
	if s.Work != "" {
		d.par(line, "Work: "+s.Work)
	}
	for _, why := range s.Withheld {
		d.together(func(on *pdfPage) { on.par(line, "Withheld: "+why) })
	}
	for _, n := range s.Notes {
		d.together(func(on *pdfPage) { on.note(n) })
	}
	for _, l := range s.Loads {
		d.together(func(on *pdfPage) { on.load(l) })
	}
	if len(s.Moments) > 0 {
		d.needs(4*line + roomHigh)
		d.doc.Ln(1)
		parts := []float64{0.14, 0.1, 0.18, 0.58}
		d.row(parts, MomentColumns, "B", 0)
		for _, m := range s.Moments {
			least := 0.0
			if m.Look {
				least = roomHigh
			}
			d.row(parts, []string{m.Minute, m.Temperature, m.What}, "", least)
		}
	}
	for _, r := range s.Remarks {
		d.together(func(on *pdfPage) { on.hanging(4, "-", r) })
	}
	d.within = ""
}

func (d *pdfPage) note(n Note) {
	d.doc.Ln(0.7)
	border, style := "L", ""
	if n.Grave {
		border, style = "1", "B"
	}
	text := n.Mark + ": " + n.Text
	if n.Do != "" {
		text += " Do: " + n.Do
	}
	d.font(style, bodyPt)
	d.doc.MultiCell(0, line, d.text(text), border, "L", false)
	d.font("", smallPt)
	d.par(3.8, "("+n.From+")")
	d.font("", bodyPt)
}

func (d *pdfPage) load(l Load) {
	d.doc.Ln(1)
	d.par(line, l.Heading)
	for _, a := range l.Amounts {
		d.row([]float64{0.28, 0.37, 0.35}, []string{a.Material, a.Do, a.Why}, "", 0)
	}
	for _, bound := range l.Lifted {
		d.hanging(4, "-", bound)
	}
}
