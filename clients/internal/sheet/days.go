package sheet

import (
	"fmt"
	"strconv"
	"strings"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
)

// Day is the work of one day in its order.
type Day struct {
	Heading string
	Tasks   []DayTask
}

// DayTask is a bath by its number on the sheet, or what is done beside baths.
type DayTask struct {
	Number string // "3."; "-" where it is no bath
	Text   string
	Shares []string // the pieces of a pot that colours, by the order in which they get their colours
}

func daysOf(s *benchpb.Sheet) (days []Day) {
	number := map[string]int{}
	for i, one := range s.GetBaths() {
		number[one.GetName()] = i
	}
	for _, d := range s.GetDays() {
		day := Day{Heading: fmt.Sprintf("Day %d", d.GetDay())}
		if d.GetMinutes() > 0 {
			day.Heading += fmt.Sprintf(", %s at the pots, one after another", hours(d.GetMinutes()))
		}
		for _, t := range d.GetTasks() {
			task := DayTask{Number: "-", Text: t.GetText() + ": " + labels(t.GetPieces())}
			if at, ok := number[t.GetBath()]; ok {
				one := s.GetBaths()[at]
				task.Number = fmt.Sprintf("%d.", at+1)
				task.Text = fmt.Sprintf("%s (%s): %s", one.GetName(), kinds[one.GetKind()], labels(t.GetPieces()))
				if t.GetText() != "" {
					task.Text += "; " + t.GetText()
				}
				if one.GetStanding() != benchpb.Standing_STANDING_RELEASED {
					task.Text += "; NOT RELEASED"
				}
			}
			for _, share := range t.GetShares() {
				task.Shares = append(task.Shares, strings.Join(share.GetDyestuffs(), ", then ")+": "+labels(share.GetPieces()))
			}
			day.Tasks = append(day.Tasks, task)
		}
		days = append(days, day)
	}
	return days
}

// hours writes minutes as hours and minutes.
func hours(minutes float64) string {
	whole := int(minutes + 0.5)
	if whole < 60 {
		return fmt.Sprintf("%d min", whole)
	}
	return fmt.Sprintf("%d h %02d min", whole/60, whole%60)
}

// labels writes a list of labels; those that go on counting are told by their first and last.
func labels(list []string) string {
	var told []string
	for i := 0; i < len(list); {
		k := i + 1
		for k < len(list) && follows(list[k-1], list[k]) {
			k++
		}
		if k-i >= 3 {
			told = append(told, list[i]+" to "+list[k-1])
		} else {
			told = append(told, list[i:k]...)
		}
		i = k
	}
	return strings.Join(told, ", ")
}

// follows reports whether a label is another with its number one higher.
func follows(before, after string) bool {
	name := strings.TrimRight(before, "0123456789")
	n, err := strconv.Atoi(before[len(name):])
	return err == nil && name != "" && after == name+strconv.Itoa(n+1)
}
