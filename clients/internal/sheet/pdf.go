package sheet

import (
	"fmt"
	"io"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
)

// The layout of a printed page, in millimetres and points.
const (
	margin   = 15.0
	line     = 4.8
	bodyPt   = 10.0
	smallPt  = 8.0
	roomHigh = 11.0 // to write at a look
)

// WritePDF writes the page as PDF, with the fonts that every reader has (ISO 32000-1, 9.6.2.2); what those can't write is shown as "?". The same page gives the
// same bytes.
func WritePDF(w io.Writer, p Page, paper Paper) error {
	doc := fpdf.New("P", "mm", paper.PDF, "")
	doc.SetMargins(margin, margin, margin)
	doc.SetAutoPageBreak(true, margin)
	doc.SetCatalogSort(true)
	epoch := time.Unix(0, 0).UTC()
	doc.SetCreationDate(epoch)
	doc.SetModificationDate(epoch)
	d := &pdfPage{doc: doc, to: doc.UnicodeTranslatorFromDescriptor("")}
	doc.SetTitle("Bench sheet: "+p.Title, true)
	doc.SetFooterFunc(func() {
		doc.SetY(-margin + 4)
		doc.SetFont("Helvetica", "", smallPt)
		doc.CellFormat(0, 4, d.text(p.Plan+fmt.Sprintf(", page %d", doc.PageNo())), "", 0, "C", false, 0, "")
	})
	doc.AddPage()
	d.font("B", 16)
	d.par(7, p.Title)
	d.font("", bodyPt)
	d.par(line, "Bench sheet, "+p.Plan)
	d.standing(p.Standing, p.Released)
	d.list("", p.Cautions)
	d.list("To be answered first", p.Holding)
	d.list("Taken on with a written reason", p.Lifted)
	if len(p.Labels) > 0 {
		d.head("Pieces")
		d.rows([]float64{0.2, 0.35, 0.25, 0.2}, append([][]string{LabelColumns}, p.Labels...), "B")
	}
	if p.Water != "" {
		d.par(line, p.Water)
	}
	if len(p.Days) > 0 {
		d.head("Days")
		for _, day := range p.Days {
			d.day(day)
		}
	}
	for _, s := range p.Steps {
		d.step(s)
	}
	d.list("Mordants", p.Mordants)
	d.list("Would help", p.Open)
	d.list("Assumed", p.Remarks)
	d.list("Computed by", p.Made)
	if err := doc.Error(); err != nil {
		return fmt.Errorf("make the PDF: %w", err)
	}
	return doc.Output(w)
}

type pdfPage struct {
	doc *fpdf.Fpdf
	to  func(string) string
}

// text is what the fonts can write: Windows code page 1252.
func (d *pdfPage) text(s string) string {
	s = strings.NewReplacer("–", "-", "—", "-", "−", "-", "→", "->", "≤", "<=", "≥", ">=", "\u00a0", " ").Replace(clean(s))
	return d.to(strings.Map(func(r rune) rune {
		if r < 0x7f || r >= 0xa0 && r <= 0xff || strings.ContainsRune("€‚ƒ„…†‡ˆ‰Š‹ŒŽ‘’“”•™š›œžŸ", r) {
			return r
		}
		return '?'
	}, s))
}

func (d *pdfPage) font(style string, size float64) { d.doc.SetFont("Helvetica", style, size) }

func (d *pdfPage) par(high float64, text string) {
	d.doc.MultiCell(0, high, d.text(text), "", "L", false)
}

func (d *pdfPage) width() float64 {
	w, _ := d.doc.GetPageSize()
	return w - 2*margin
}

// needs begins a new page unless so much of this one is left.
func (d *pdfPage) needs(high float64) {
	if _, page := d.doc.GetPageSize(); d.doc.GetY()+high > page-margin {
		d.doc.AddPage()
	}
}

func (d *pdfPage) head(text string) {
	d.needs(4 * line)
	d.doc.Ln(2)
	d.font("B", 12)
	d.par(6, text)
	d.font("", bodyPt)
}

func (d *pdfPage) standing(text string, released bool) {
	d.font("B", bodyPt)
	border := "1"
	if released {
		border = ""
	}
	d.doc.MultiCell(0, 6, d.text(text), border, "L", false)
	d.font("", bodyPt)
}

func (d *pdfPage) list(head string, lines []string) {
	if len(lines) == 0 {
		return
	}
	if head != "" {
		d.head(head)
	}
	for _, one := range lines {
		d.par(line, "- "+one)
	}
}

// rows writes a table, its first row as a header in the style; cells break into lines.
func (d *pdfPage) rows(parts []float64, rows [][]string, first string) {
	for i, row := range rows {
		style := ""
		if i == 0 {
			style = first
		}
		d.row(parts, row, style, 0)
	}
}

func (d *pdfPage) row(parts []float64, cells []string, style string, least float64) {
	d.font(style, bodyPt)
	high := max(line, least)
	broken := make([][]string, len(cells))
	for i, cell := range cells {
		if i < len(parts) && cell != "" {
			for _, part := range d.doc.SplitLines([]byte(d.text(cell)), parts[i]*d.width()-2) {
				broken[i] = append(broken[i], string(part))
			}
			high = max(high, float64(len(broken[i]))*line)
		}
	}
	d.needs(high)
	x, y := margin, d.doc.GetY()
	for i := range cells {
		if i >= len(parts) {
			break
		}
		for k, text := range broken[i] {
			d.doc.SetXY(x, y+float64(k)*line)
			d.doc.CellFormat(parts[i]*d.width(), line, text, "", 0, "L", false, 0, "")
		}
		x += parts[i] * d.width()
	}
	d.doc.Line(margin, y+high, margin+d.width(), y+high)
	d.doc.SetXY(margin, y+high)
	d.font("", bodyPt)
}

func (d *pdfPage) day(day Day) {
	d.needs(4 * line)
	d.font("B", bodyPt)
	d.par(line, day.Heading)
	d.font("", bodyPt)
	for _, task := range day.Tasks {
		d.hanging(6, task.Number, task.Text)
		for _, share := range task.Shares {
			d.hanging(10, "", share)
		}
	}
}

// hanging writes a paragraph with a mark before it, set in by so many millimetres.
func (d *pdfPage) hanging(in float64, mark, text string) {
	d.needs(line)
	d.doc.CellFormat(in, line, d.text(mark), "", 0, "L", false, 0, "")
	d.doc.SetLeftMargin(margin + in)
	d.par(line, text)
	d.doc.SetLeftMargin(margin)
	d.doc.SetX(margin)
}

func (d *pdfPage) step(s Step) {
	heading := s.Heading
	if s.Day != "" {
		heading = s.Day + ": " + heading
	}
	d.head(heading)
	d.standing(s.Standing, s.Released)
	d.par(line, "Pieces: "+s.Pieces)
	if s.Work != "" {
		d.par(line, "Work: "+s.Work)
	}
	for _, why := range s.Withheld {
		d.par(line, "Withheld: "+why)
	}
	for _, n := range s.Notes {
		d.needs(3 * line)
		border := ""
		if n.Grave {
			border = "1"
		}
		text := n.Mark + ": " + n.Text
		if n.Do != "" {
			text += " Do: " + n.Do
		}
		d.font("B", bodyPt)
		if !n.Grave {
			d.font("", bodyPt)
		}
		d.doc.MultiCell(0, line, d.text(text), border, "L", false)
		d.font("", smallPt)
		d.par(3.8, "("+n.From+")")
		d.font("", bodyPt)
	}
	for _, l := range s.Loads {
		d.needs(3 * line)
		d.par(line, l.Heading)
		for _, a := range l.Amounts {
			d.row([]float64{0.28, 0.37, 0.35}, []string{a.Material, a.Do, a.Why}, "", 0)
		}
		for _, bound := range l.Lifted {
			d.par(line, "- "+bound)
		}
	}
	for _, m := range s.Moments {
		least := 0.0
		if m.Look {
			least = roomHigh
		}
		d.row([]float64{0.15, 0.12, 0.2, 0.53}, []string{m.Minute, m.Temperature, m.What, ""}, "", least)
	}
	for _, r := range s.Remarks {
		d.par(line, "- "+r)
	}
}
