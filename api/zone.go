package api

import (
	"os"
	"path/filepath"
	"strings"
	"time"
)

// zoneOf names the time zone of t for a page that shows times as the bench has
// them: by its name in the IANA data base, which knows summer time, else by the
// offset at t.
func zoneOf(t time.Time) string {
	name := t.Location().String()
	if name == "Local" {
		name = localZone(os.Getenv("TZ"), "/etc/localtime")
	}
	if name != "" {
		if _, err := time.LoadLocation(name); err == nil {
			return name
		}
	}
	return t.Format("-07:00")
}

// localZone finds the name of the machine's time zone: what TZ says, else where
// the link of the system's time zone points to. It is empty if neither tells.
func localZone(tz, link string) string {
	if tz = strings.TrimPrefix(tz, ":"); tz != "" && !filepath.IsAbs(tz) {
		return tz
	}
	target, err := filepath.EvalSymlinks(link)
	if err != nil {
		return ""
	}
	_, name, _ := strings.Cut(target, "/zoneinfo/")
	return name
}
