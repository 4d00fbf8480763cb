package trial

import "time"

// span gives the first moment that a claimed time can mean and the first that it can
// no longer mean: 14:07 to the hour is any time from 14:00 to before 15:00 where the member was.
func (c ClaimedTime) span() (earliest, latest time.Time) {
	zone := time.FixedZone("", 60*min(max(c.UTCOffsetMinutes, -1440), 1440))
	t := c.Time.In(zone)
	switch c.Precision {
	case ToHour:
		earliest = t.Truncate(time.Minute).Add(-time.Duration(t.Minute()) * time.Minute)
		latest = earliest.Add(time.Hour)
	case ToDay:
		earliest = time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, zone)
		latest = earliest.AddDate(0, 0, 1)
	case ToMonth:
		earliest = time.Date(t.Year(), t.Month(), 1, 0, 0, 0, 0, zone)
		latest = earliest.AddDate(0, 1, 0)
	default:
		earliest = t.Truncate(time.Minute)
		latest = earliest.Add(time.Minute)
	}
	return earliest, latest
}

// Latest is the last moment that a stated claim may be of: of a day, its end.
func (c ClaimedTime) Latest() time.Time {
	_, latest := c.span()
	return latest
}

// surelyBefore reports whether c was before d however both are read.
func (c ClaimedTime) surelyBefore(d ClaimedTime) bool {
	if !c.Stated() || !d.Stated() {
		return false
	}
	_, latest := c.span()
	earliest, _ := d.span()
	return latest.Before(earliest)
}
