package sheet

import (
	"fmt"
	"html/template"
	"io"
)

// Paper is a size of paper.
type Paper struct {
	Name string
	// CSS is its name in CSS (CSS Paged Media Module Level 3), PDF its name in the PDF library.
	CSS, PDF string
}

// Papers are those that pages are made for: ISO 216 A4, and US Letter.
var Papers = []Paper{{"a4", "A4", "A4"}, {"letter", "letter", "Letter"}}

// PaperNamed finds a paper.
func PaperNamed(name string) (Paper, error) {
	for _, p := range Papers {
		if p.Name == name {
			return p, nil
		}
	}
	return Paper{}, fmt.Errorf("%.20q is none of a4, letter", name)
}

// WriteHTML writes a page that is whole in itself: it loads nothing, runs nothing, and prints on the paper.
func WriteHTML(w io.Writer, p Page, paper Paper) error {
	return page.Execute(w, struct {
		Page
		Columns, Seen []string
		Size          template.CSS
	}{p, LabelColumns, MomentColumns, template.CSS(paper.CSS)}) //nolint:gosec // a constant of Papers
}

var page = template.Must(template.New("sheet").Parse(`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>Bench sheet: {{.Title}}</title>
<style>
@page { size: {{.Size}}; margin: 15mm; }
body { font: 16px/1.4 sans-serif; color: #111; background: #fff; max-width: 60rem; margin: 0 auto; padding: 0 1rem; }
h1 { font-size: 1.5rem; margin: 1rem 0 0; } h2 { font-size: 1.15rem; margin: 1.2rem 0 .3rem; border-top: 2px solid #111; padding-top: .3rem; }
.day { font-size: 1.3rem; border: 0; margin-bottom: 0; } h3 { font-size: 1rem; margin: .6rem 0 .2rem; } .days th { width: 2rem; }
p, ul, table { margin: .3rem 0; } ul { padding-left: 1.2rem; }
table { border-collapse: collapse; width: 100%; } th, td { text-align: left; vertical-align: top; padding: .2rem .5rem .2rem 0; border-bottom: 1px solid #777; }
.room { width: 45%; height: 2.2rem; }
.standing { font-weight: bold; } .held, .stop { border: 3px solid #111; padding: .3rem .6rem; }
.note { border-left: 3px solid #777; padding-left: .6rem; margin: .4rem 0; } .stop { margin: .4rem 0; }
.from { font-size: .85rem; color: #444; } .code { font-family: monospace; font-size: 1.1rem; font-weight: bold; }
section, h2, h3, .note, .stop, tr { break-inside: avoid; } h2, h3 { break-after: avoid; }
@media print { body { font-size: 10.5pt; max-width: none; padding: 0; } .room { height: 11mm; } }
</style>
</head>
<body>
<h1>{{.Title}}</h1>
<p>Bench sheet, {{.Plan}}</p>
<p class="standing{{if not .Released}} held{{end}}">{{.Standing}}</p>
<ul class="cautions">{{range .Cautions}}<li>{{.}}</li>{{end}}</ul>
{{with .Holding}}<h2>To be answered first</h2><ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}
{{with .Lifted}}<h2>Taken on with a written reason</h2><ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}
{{if .Labels}}<h2>Pieces</h2>
<table><thead><tr>{{range .Columns}}<th scope="col">{{.}}</th>{{end}}</tr></thead><tbody>{{range .Labels}}<tr>{{range $i, $c := .}}<td{{if eq $i 0}} class="code"{{end}}>{{$c}}</td>{{end}}</tr>{{end}}</tbody></table>{{end}}
{{range .Water}}<p>{{.}}</p>{{end}}
{{with .Days}}<h2>Days</h2>
{{range .}}<h3>{{.Heading}}</h3>
<table class="days"><tbody>{{range .Tasks}}<tr><th scope="row">{{.Number}}</th><td>{{.Text}}{{with .Shares}}<ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}</td></tr>{{end}}</tbody></table>
{{end}}{{with $.DaysMind}}<ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}{{end}}{{range .Steps}}{{with .Day}}<h2 class="day">{{.}}</h2>
{{end}}<section>
<h2>{{.Heading}}</h2>
<p class="standing{{if not .Released}} held{{end}}">{{.Standing}}</p>
<p>Pieces: {{.Pieces}}</p>
{{if .Work}}<p>Work: {{.Work}}</p>
{{end}}{{range .Withheld}}<p class="withheld">Withheld: {{.}}</p>{{end}}
{{range .Notes}}<div class="{{if .Grave}}stop{{else}}note{{end}}"><strong>{{.Mark}}</strong> {{.Text}}{{with .Do}} <em>Do: {{.}}</em>{{end}} <span class="from">({{.From}})</span></div>{{end}}
{{range .Loads}}<p>{{.Heading}}</p>
<table><tbody>{{range .Amounts}}<tr><th scope="row">{{.Material}}</th><td><strong>{{.Do}}</strong></td><td>{{.Why}}</td></tr>{{end}}</tbody></table>
{{with .Lifted}}<ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}{{end}}
{{with .Moments}}<table><thead><tr>{{range $.Seen}}<th scope="col">{{.}}</th>{{end}}</tr></thead><tbody>{{range .}}<tr><td>{{.Minute}}</td><td>{{.Temperature}}</td><td>{{.What}}</td><td{{if .Look}} class="room"{{end}}></td></tr>{{end}}</tbody></table>{{end}}
{{with .Remarks}}<ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}
</section>{{end}}
{{with .Mordants}}<h2>Mordants</h2><ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}
{{with .Open}}<h2>Would help</h2><ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}
{{with .Page.Remarks}}<h2>Assumed</h2><ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}
{{with .Made}}<h2>Computed by</h2><ul class="from">{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}
</body>
</html>
`))
