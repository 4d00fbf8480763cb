package sheet

import (
	"io"
	"strings"
	"unicode/utf8"
)

// textWidth is that of a terminal, and of typewriter paper.
const textWidth = 96

// line to write on.
const room = "__________________________________________"

// WriteText writes a page for a terminal.
func WriteText(w io.Writer, p Page) error {
	t := &textPage{}
	t.put(0, "BENCH SHEET  "+p.Title)
	t.put(0, p.Plan)
	t.put(0, strings.ToUpper(p.Standing[:1])+p.Standing[1:])
	t.list("", "! ", p.Cautions)
	t.list("To be answered first", "? ", p.Holding)
	t.list("Taken on with a written reason", "! ", p.Lifted)
	if len(p.Labels) > 0 {
		t.head("Pieces")
		t.table(append([][]string{LabelColumns}, p.Labels...))
	}
	for i, line := range p.Water {
		if i == 0 {
			t.gap()
			t.put(0, line)
			continue
		}
		t.marked(2, "- ", line)
	}
	if len(p.Days) > 0 {
		t.head("Days")
		for _, day := range p.Days {
			t.put(2, day.Heading)
			for _, task := range day.Tasks {
				t.marked(4, task.Number+" ", task.Text)
				for _, share := range task.Shares {
					t.marked(7, "", share)
				}
			}
		}
		for _, text := range p.DaysMind {
			t.marked(2, "! ", text)
		}
	}
	for _, s := range p.Steps {
		t.step(s)
	}
	t.list("Mordants", "- ", p.Mordants)
	t.list("Would help", "? ", p.Open)
	t.list("Assumed", "- ", p.Remarks)
	t.list("Computed by", "- ", p.Made)
	_, err := io.WriteString(w, t.b.String())
	return err
}

type textPage struct{ b strings.Builder }

func (t *textPage) gap() { t.b.WriteString("\n") }

func (t *textPage) head(text string) {
	t.gap()
	t.put(0, text)
	t.put(0, strings.Repeat("-", min(textWidth, utf8.RuneCountInString(text))))
}

func (t *textPage) list(head, mark string, lines []string) {
	if len(lines) == 0 {
		return
	}
	if head != "" {
		t.head(head)
	} else {
		t.gap()
	}
	for _, line := range lines {
		t.marked(2, mark, line)
	}
}

// put writes a paragraph, broken at spaces.
func (t *textPage) put(indent int, text string) { t.marked(indent, "", text) }

// marked writes a paragraph with a mark before its first line.
func (t *textPage) marked(indent int, mark, text string) {
	lead := strings.Repeat(" ", indent)
	rest := lead + strings.Repeat(" ", min(12, utf8.RuneCountInString(mark)))
	line, used := lead+mark, utf8.RuneCountInString(lead+mark)
	empty := true
	for word := range strings.FieldsSeq(clean(text)) {
		n := utf8.RuneCountInString(word)
		if !empty && used+1+n > textWidth && !strings.HasPrefix(word, "%") {
			t.b.WriteString(line + "\n")
			line, used, empty = rest, utf8.RuneCountInString(rest), true
		}
		if !empty {
			line += " "
			used++
		}
		line += word
		used += n
		empty = false
	}
	t.b.WriteString(strings.TrimRight(line, " ") + "\n")
}

// clean takes out what would steer a terminal.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7f || r >= 0x80 && r < 0xa0 {
			return ' '
		}
		return r
	}, s)
}

// table writes rows in columns. Columns that are too wide together get narrower, the widest first, and their cells go on below.
func (t *textPage) table(rows [][]string) {
	var widths []int
	for _, row := range rows {
		for i, cell := range row {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], utf8.RuneCountInString(clean(cell)))
		}
	}
	for total := 2 * len(widths); ; {
		all, widest := total, 0
		for i, n := range widths {
			all += n
			if n > widths[widest] {
				widest = i
			}
		}
		if all <= textWidth || widths[widest] <= 12 {
			break
		}
		widths[widest]--
	}
	for _, row := range rows {
		var cells [][]string
		lines := 1
		for i, cell := range row {
			broken := brokenAt(clean(cell), widths[i])
			cells, lines = append(cells, broken), max(lines, len(broken))
		}
		for k := range lines {
			line := " "
			for i := range cells {
				text := ""
				if k < len(cells[i]) {
					text = cells[i][k]
				}
				line += " " + text + strings.Repeat(" ", max(0, widths[i]-utf8.RuneCountInString(text))+1)
			}
			t.b.WriteString(strings.TrimRight(line, " ") + "\n")
		}
	}
}

// brokenAt breaks a cell at spaces into lines of at most so many signs, and words that are longer anywhere. Lines below the first are set in as it is.
func brokenAt(text string, wide int) (lines []string) {
	signs := []rune(text)
	in := strings.Repeat(" ", len(signs)-len([]rune(strings.TrimLeft(text, " "))))
	for len(signs) > wide {
		at := wide
		for at > len(in) && (signs[at] != ' ' || signs[at-1] == '±' || at+1 < len(signs) && signs[at+1] == '%') { // a figure keeps its signs
			at--
		}
		if at <= len(in) {
			at = wide
		}
		lines = append(lines, strings.TrimRight(string(signs[:at]), " "))
		signs = []rune(in + strings.TrimLeft(string(signs[at:]), " "))
	}
	return append(lines, string(signs))
}

func (t *textPage) step(s Step) {
	if s.Day != "" {
		t.gap()
		t.put(0, strings.ToUpper(s.Day))
	}
	t.head(s.Heading)
	t.put(2, s.Standing)
	t.marked(2, "pieces: ", s.Pieces)
	if s.Work != "" {
		t.marked(2, "work: ", s.Work)
	}
	for _, why := range s.Withheld {
		t.marked(2, "withheld: ", why)
	}
	for _, n := range s.Notes {
		t.marked(2, "! "+n.Mark+" ", n.Text)
		if n.Do != "" {
			t.marked(4, "do: ", n.Do)
		}
		t.put(4, "("+n.From+")")
	}
	for _, l := range s.Loads {
		t.put(2, l.Heading)
		rows := make([][]string, 0, len(l.Amounts))
		for _, a := range l.Amounts {
			rows = append(rows, []string{"  " + a.Material, a.Do, a.Why})
		}
		t.table(rows)
		for _, line := range l.Lifted {
			t.marked(4, "- ", line)
		}
	}
	if len(s.Moments) > 0 {
		rows := make([][]string, 0, len(s.Moments))
		for _, m := range s.Moments {
			write := ""
			if m.Look {
				write = room
			}
			rows = append(rows, []string{"  " + m.Minute, m.Temperature, m.What, write})
		}
		t.table(rows)
	}
	for _, r := range s.Remarks {
		t.marked(2, "- ", r)
	}
}
