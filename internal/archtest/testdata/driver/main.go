// Command driver does what boxd must never do, in each way the check knows, so
// that the check is seen to see. Nobody runs it.
package main

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/host/v3"
	"periph.io/x/host/v3/sysfs"
)

func main() {
	_, err := host.Init()
	for _, p := range sysfs.Pins {
		fmt.Println(err, p.Out(gpio.High))
	}
	err = os.WriteFile("/sys/class/gpio/export", []byte("4"), 0)
	_, _, e := unix.Syscall(unix.SYS_IOCTL, 3, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, 0)
	fmt.Println(err, e)
}
