package cli

import "github.com/spf13/cobra"

// examples has one line for each command, by its path. Ids, names and files in them are invented.
var examples = map[string]string{
	"sign-in":                 `commonvat sign-in --server 127.0.0.1:7730 --token-file my.token`,
	"whoami":                  `commonvat whoami --output json`,
	"version":                 `commonvat version`,
	"trial submit":            `commonvat trial submit weld-and-indigo.yaml --check`,
	"trial list":              `commonvat trial list --limit 10`,
	"trial search":            `commonvat trial search 'fibre = "wool" AND material = "weld"'`,
	"trial show":              `commonvat trial show 0197a000-0000-7000-8000-000000000001`,
	"trial share":             `commonvat trial share 0197a000-0000-7000-8000-000000000001 --level public --licence CC-BY-4.0`,
	"trial withdraw":          `commonvat trial withdraw 0197a000-0000-7000-8000-000000000001`,
	"trial begin":             `commonvat trial begin 0197a000-0000-7000-8000-000000000001`,
	"trial finish":            `commonvat trial finish 0197a000-0000-7000-8000-000000000001`,
	"trial abandon":           `commonvat trial abandon 0197a000-0000-7000-8000-000000000001 --reason "moths in the hank"`,
	"look add":                `commonvat look add --piece K7P --text "more blue than green" --at 2026-05-03`,
	"reading add":             `commonvat reading add K7P --lab 48.1,-14.5,10.2 --condition D65/10 --state dry --age-days 8`,
	"piece show":              `commonvat piece show K7P`,
	"piece split":             `commonvat piece split K7P --mass 7.1g --mass 7.0g --label left --label right`,
	"piece take":              `commonvat piece take K7P --mass 3g --label sample`,
	"piece send":              `commonvat piece send K7P --bath 0197a000-0000-7000-8000-00000000bbbb --dips 3 --entered "2026-05-03 14:10 +02:00"`,
	"piece post":              `commonvat piece post K7P --to bracken`,
	"piece correct":           `commonvat piece correct K7P --mass 7.1g --label left --reason "read off the wrong balance"`,
	"bath create":             `commonvat bath create weld-pot.yaml`,
	"bath show":               `commonvat bath show 0197a000-0000-7000-8000-00000000bbbb`,
	"bath list":               `commonvat bath list --limit 10`,
	"bath add":                `commonvat bath add 0197a000-0000-7000-8000-00000000bbbb --material weld --role dye --amount "30 g"`,
	"bath open":               `commonvat bath open 0197a000-0000-7000-8000-00000000bbbb`,
	"bath close":              `commonvat bath close 0197a000-0000-7000-8000-00000000bbbb`,
	"water add":               `commonvat water add "mill well" --kind well --hardness 212.5 --taken 2026-05`,
	"water sample":            `commonvat water sample 0197a000-0000-7000-8000-00000000aaaa --ph 7.1`,
	"water list":              `commonvat water list`,
	"experiment create":       `commonvat experiment create which-way-round.yaml`,
	"experiment list":         `commonvat experiment list`,
	"experiment show":         `commonvat experiment show 0197a000-0000-7000-8000-00000000eeee`,
	"watch":                   `commonvat watch --after 0 --output json`,
	"palette":                 `commonvat palette --by order --where 'fibre = "wool" AND dye = "weld"'`,
	"status":                  `commonvat status`,
	"difference":              `commonvat difference K7P K8A --formula ciede2000`,
	"predict":                 `commonvat predict K7P --second indigo --depth deep`,
	"import":                  `commonvat import readings.csv --mapping readings.mapping.yaml --check`,
	"members":                 `commonvat members --output csv`,
	"members list":            `commonvat members list`,
	"members add":             `commonvat members add clover --name Clover --role member`,
	"module new":              `commonvat module new palette-reach reach --kind palette --language go`,
	"module try":              `commonvat module try reach cases.jsonl`,
	"module check":            `commonvat module check reach`,
	"modules list":            `commonvat modules list`,
	"modules builds":          `commonvat modules builds`,
	"modules held":            `commonvat modules held palette-width`,
	"modules report":          `commonvat modules report 9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08`,
	"modules activate":        `commonvat modules activate 9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08 --reason "finer shades"`,
	"modules default":         `commonvat modules default palette-width --reason "agreed in May"`,
	"modules roll-back":       `commonvat modules roll-back palette-width --reason "too slow"`,
	"modules retire":          `commonvat modules retire palette-width --reason "replaced"`,
	"modules lift-quarantine": `commonvat modules lift-quarantine palette-width --reason "disk was full"`,
	"token issue":             `commonvat token issue clover --label phone --expires 2027-01-31`,
	"trial edit":              `commonvat trial edit 0197a000-0000-7000-8000-000000000001 --title "Blue over yellow" --reason "the order was named wrongly"`,
	"bath edit":               `commonvat bath edit 0197a000-0000-7000-8000-00000000bbbb --liquor "2.5 L" --reason "measured again"`,
	"water edit":              `commonvat water edit 0197a000-0000-7000-8000-00000000aaaa --place "behind the mill" --place-shown`,
	"water show":              `commonvat water show 0197a000-0000-7000-8000-00000000aaaa`,
	"experiment edit":         `commonvat experiment edit 0197a000-0000-7000-8000-00000000eeee --title "Which way round, on wool"`,
	"trial delete":            `commonvat trial delete 0197a000-0000-7000-8000-000000000001 --reason "sent twice"`,
	"trial undelete":          `commonvat trial undelete 0197a000-0000-7000-8000-000000000001`,
	"trial history":           `commonvat trial history 0197a000-0000-7000-8000-000000000001`,
	"trial version":           `commonvat trial version 0197a000-0000-7000-8000-000000000001 41`,
	"bath delete":             `commonvat bath delete 0197a000-0000-7000-8000-00000000bbbb --reason "sent twice"`,
	"bath undelete":           `commonvat bath undelete 0197a000-0000-7000-8000-00000000bbbb`,
	"bath history":            `commonvat bath history 0197a000-0000-7000-8000-00000000bbbb`,
	"bath version":            `commonvat bath version 0197a000-0000-7000-8000-00000000bbbb 41`,
	"water delete":            `commonvat water delete 0197a000-0000-7000-8000-00000000aaaa --reason "sent twice"`,
	"water undelete":          `commonvat water undelete 0197a000-0000-7000-8000-00000000aaaa`,
	"water history":           `commonvat water history 0197a000-0000-7000-8000-00000000aaaa`,
	"water version":           `commonvat water version 0197a000-0000-7000-8000-00000000aaaa 41`,
	"experiment delete":       `commonvat experiment delete 0197a000-0000-7000-8000-00000000eeee --reason "sent twice"`,
	"experiment undelete":     `commonvat experiment undelete 0197a000-0000-7000-8000-00000000eeee`,
	"experiment history":      `commonvat experiment history 0197a000-0000-7000-8000-00000000eeee`,
	"experiment version":      `commonvat experiment version 0197a000-0000-7000-8000-00000000eeee 41`,
	"token list":              `commonvat token list`,
	"audit":                   `commonvat audit --after 120 --actor clover`,
	"token revoke":            `commonvat token revoke 0123456789abcdef`,
	"compute lines":           `commonvat compute lines difference pairs.jsonl`,
	"compute differences":     `commonvat compute differences pairs.csv --formula ciede2000,cmc:2:1 > differences.csv`,
	"compute colours":         `commonvat compute colours spectra.csv --scale percent --condition D65/10,A/10 > colours.csv`,
	"compute palettes":        `commonvat compute palettes colours.csv --closing-sessions 8 > palettes.csv`,
	"export":                  `commonvat export my-records`,
	"export restore":          `commonvat export restore my-records --dry-run`,
}

// giveExamples puts its example to every command below c.
func giveExamples(c *cobra.Command, path string) {
	for _, sub := range c.Commands() {
		name := sub.Name()
		if path != "" {
			name = path + " " + name
		}
		if e := examples[name]; e != "" {
			sub.Example = "  " + e
		}
		giveExamples(sub, name)
	}
}
