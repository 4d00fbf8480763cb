package archive

// Outcome is what became of a record.
type Outcome string

// The outcomes. In a dry run they are what would become of it, as far as reading can tell.
const (
	Added     Outcome = "added"
	Completed Outcome = "completed" // it was there in part, and the rest was added
	There     Outcome = "there already"
	LeftOut   Outcome = "left out"
	Differs   Outcome = "differs" // it is there and says otherwise; nothing was overwritten
	Refused   Outcome = "refused" // by the core, or since what it stands on isn't there
)

// Row is what became of one record.
type Row struct {
	Record  string   `json:"record"` // trial, bath, water, experiment, workshop, sheet
	ID      string   `json:"id"`
	Name    string   `json:"name"`
	Outcome Outcome  `json:"outcome"`
	Notes   []string `json:"notes,omitempty"`
}

func (r *Row) note(text string) { r.Notes = append(r.Notes, text) }

// worse keeps the weightier of two outcomes.
func (r *Row) worse(o Outcome) {
	weight := map[Outcome]int{There: 0, Added: 1, Completed: 2, LeftOut: 3, Differs: 4, Refused: 5}
	if r.Outcome == "" || weight[o] > weight[r.Outcome] {
		r.Outcome = o
	}
}

// Report is what became of all records of a folder.
type Report struct {
	Member   string `json:"member"` // as whom it was restored
	From     string `json:"from"`   // whose export it is
	DryRun   bool   `json:"dry_run"`
	Rows     []*Row `json:"rows"`
	Added    int    `json:"added"`
	There    int    `json:"there_already"`
	LeftOut  int    `json:"left_out"`
	Differs  int    `json:"differs"`
	Refused  int    `json:"refused"`
	Complete int    `json:"completed"`
}

func (r *Report) row(record, id, name string) *Row {
	row := &Row{Record: record, ID: id, Name: name}
	r.Rows = append(r.Rows, row)
	return row
}

func (r *Report) count() {
	r.Added, r.There, r.LeftOut, r.Differs, r.Refused, r.Complete = 0, 0, 0, 0, 0, 0
	for _, row := range r.Rows {
		switch row.Outcome {
		case Added:
			r.Added++
		case Completed:
			r.Complete++
		case There:
			r.There++
		case LeftOut:
			r.LeftOut++
		case Differs:
			r.Differs++
		case Refused:
			r.Refused++
		}
	}
}
