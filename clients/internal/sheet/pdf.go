package sheet

import (
	"fmt"
	"io"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// The layout of a printed page, in millimetres and points.
const (
	margin   = 15.0
	line     = 4.8
	cellPad  = 0.7 // above and below the text of a row
	bodyPt   = 9.5
	smallPt  = 7.5
	roomHigh = 11.0 // to write at a look
	typeface = "Go"
)

// WritePDF writes the page as PDF. Its fonts are in it, so that it looks the same everywhere; they have Latin, Greek and Cyrillic, and what they lack is shown as "?". What
// belongs together stays on one page where it fits on one. The same page gives the same bytes.
func WritePDF(w io.Writer, p Page, paper Paper) error {
	glyphs, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		return fmt.Errorf("make the PDF: %w", err)
	}
	// Once to see how many pages there are.
	first := newPDF(paper, glyphs, p.Plan, 0)
	first.all(p)
	whole := newPDF(paper, glyphs, p.Plan, first.doc.PageCount())
	whole.all(p)
	if err := whole.doc.Error(); err != nil {
		return fmt.Errorf("make the PDF: %w", err)
	}
	return whole.doc.Output(w)
}

// pdfPage is a document on its way. Every part of a page is written by one method, which scratch can try for its height.
type pdfPage struct {
	doc    *fpdf.Fpdf
	glyphs *sfnt.Font
	high   float64 // of the paper
	// within is the step, or the table, that goes on, for the head of its next page.
	within string
	// scratch is a page without an end; nil on the scratch itself.
	scratch *pdfPage
}

func newPDF(paper Paper, glyphs *sfnt.Font, foot string, pages int) *pdfPage {
	d := &pdfPage{doc: fpdf.New("P", "mm", paper.PDF, ""), glyphs: glyphs}
	wide, high := d.doc.GetPageSize()
	d.high = high
	d.doc.SetAutoPageBreak(true, margin)
	d.doc.SetFooterFunc(func() {
		d.doc.SetY(-margin + 4)
		d.font("", smallPt)
		d.doc.CellFormat(0, 4, d.text(fmt.Sprintf("%s, page %d of %d", foot, d.doc.PageNo(), pages)), "", 0, "C", false, 0, "")
	})
	d.doc.SetHeaderFunc(func() {
		if d.within != "" {
			d.font("", smallPt)
			d.par(4, d.within+", continued")
			d.doc.Ln(1)
		}
	})
	const endless = 1e6
	d.scratch = &pdfPage{doc: fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: wide, Ht: endless}}), glyphs: glyphs, high: endless}
	d.scratch.doc.SetAutoPageBreak(false, 0)
	for _, one := range []*pdfPage{d, d.scratch} {
		one.doc.AddUTF8FontFromBytes(typeface, "", goregular.TTF)
		one.doc.AddUTF8FontFromBytes(typeface, "B", gobold.TTF)
		one.doc.SetMargins(margin, margin, margin)
		one.doc.SetCatalogSort(true)
		epoch := time.Unix(0, 0).UTC()
		one.doc.SetCreationDate(epoch)
		one.doc.SetModificationDate(epoch)
		one.doc.AddPage()
		one.font("", bodyPt)
	}
	return d
}

func (d *pdfPage) all(p Page) {
	d.doc.SetTitle("Bench sheet: "+p.Title, true)
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
		parts := []float64{0.15, 0.45, 0.25, 0.15}
		d.row(parts, LabelColumns, "B", 0)
		d.within = "Pieces"
		for _, label := range p.Labels {
			d.row(parts, label, "", 0)
		}
		d.within = ""
	}
	if len(p.Water) > 0 {
		d.doc.Ln(1)
	}
	for _, text := range p.Water {
		d.par(line, text)
	}
	for i, day := range p.Days {
		d.together(func(on *pdfPage) {
			if i == 0 {
				on.head("Days")
			}
			on.day(day)
		})
	}
	for _, text := range p.DaysMind {
		d.together(func(on *pdfPage) { on.hanging(4, "!", text) })
	}
	for _, s := range p.Steps {
		d.together(func(on *pdfPage) { on.step(s) })
	}
	d.list("Mordants", p.Mordants)
	d.list("Would help", p.Open)
	d.list("Assumed", p.Remarks)
	d.list("Computed by", p.Made)
}

// together writes what belongs together, on a new page where that holds it and this one doesn't. What is longer than a page begins where it stands.
func (d *pdfPage) together(write func(on *pdfPage)) {
	if d.scratch != nil {
		d.scratch.doc.SetXY(margin, margin)
		write(d.scratch)
		high := d.scratch.doc.GetY() - margin
		if high <= d.high-2*margin {
			d.needs(high)
		}
	}
	write(d)
}

// text is what the fonts can write.
func (d *pdfPage) text(s string) string {
	var buf sfnt.Buffer
	return strings.Map(func(r rune) rune {
		if i, err := d.glyphs.GlyphIndex(&buf, r); r > 0xffff || err != nil || i == 0 {
			return '?'
		}
		return r
	}, clean(s))
}

func (d *pdfPage) font(style string, size float64) { d.doc.SetFont(typeface, style, size) }

func (d *pdfPage) par(high float64, text string) {
	d.doc.MultiCell(0, high, d.text(text), "", "L", false)
}

func (d *pdfPage) width() float64 {
	w, _ := d.doc.GetPageSize()
	return w - 2*margin
}

// needs begins a new page unless so much of this one is left.
func (d *pdfPage) needs(high float64) {
	if d.doc.GetY()+high > d.high-margin+1e-6 {
		d.doc.AddPage()
	}
}

func (d *pdfPage) head(text string) {
	d.needs(5 * line)
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
	for i, one := range lines {
		d.together(func(on *pdfPage) {
			if i == 0 && head != "" {
				on.head(head)
			}
			on.hanging(4, "-", one)
		})
	}
}

// hanging writes a paragraph with a mark before it, set in by so many millimetres.
func (d *pdfPage) hanging(in float64, mark, text string) {
	d.doc.CellFormat(in, line, d.text(mark), "", 0, "L", false, 0, "")
	d.doc.SetLeftMargin(margin + in)
	d.par(line, text)
	d.doc.SetLeftMargin(margin)
	d.doc.SetX(margin)
}

// row writes a row of a table in parts of the width, at least so high; cells break into lines.
func (d *pdfPage) row(parts []float64, cells []string, style string, least float64) {
	d.font(style, bodyPt)
	high := max(line+2*cellPad, least)
	broken := make([][]string, len(parts))
	for i := range parts {
		if i < len(cells) && cells[i] != "" {
			broken[i] = d.doc.SplitText(d.text(cells[i]), parts[i]*d.width())
			high = max(high, float64(len(broken[i]))*line+2*cellPad)
		}
	}
	d.needs(high)
	x, y := margin, d.doc.GetY()
	for i, part := range parts {
		for k, text := range broken[i] {
			d.doc.SetXY(x, y+cellPad+float64(k)*line)
			d.doc.CellFormat(part*d.width(), line, strings.TrimSpace(text), "", 0, "L", false, 0, "")
		}
		x += part * d.width()
	}
	d.doc.Line(margin, y+high, margin+d.width(), y+high)
	d.doc.SetXY(margin, y+high)
	d.font("", bodyPt)
}

func (d *pdfPage) day(day Day) {
	d.doc.Ln(1)
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
