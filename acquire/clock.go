package acquire

import (
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// bootIDPath is where the kernel tells the random id of this boot.
const bootIDPath = "/proc/sys/kernel/random/boot_id"

// BootClock returns the system's boot-time clock (CLOCK_BOOTTIME) in
// nanoseconds. It runs on through suspend, is not set by anybody, and starts
// again at each boot; BootID tells the boots apart.
func BootClock() int64 {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		// Present since Linux 2.6.39; failing means a broken system call filter.
		panic(fmt.Sprintf("read the boot-time clock: %v", err))
	}
	return ts.Nano()
}

// WallClock returns the Unix time in nanoseconds.
func WallClock() int64 { return time.Now().UnixNano() }

// BootID returns the id of this boot of the system.
func BootID() (string, error) {
	b, err := os.ReadFile(bootIDPath)
	if err != nil {
		return "", fmt.Errorf("read the boot id: %w", err)
	}
	id := strings.TrimSpace(string(b))
	if id == "" {
		return "", fmt.Errorf("read the boot id: %s is empty", bootIDPath)
	}
	return id, nil
}
