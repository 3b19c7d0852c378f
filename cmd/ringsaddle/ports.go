package main

import (
	"cmp"
	"fmt"
	"io"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ringsaddle/acquire/serialport"
)

func newPortsCommand() *cobra.Command {
	var sysfs, dev string
	cmd := &cobra.Command{
		Use:   "ports",
		Short: "List the serial ports of this machine",
		Long: `List the serial ports of this machine with the identity of their USB adapters, the
stable links to them, and whether a ringsaddle is using them. No port is opened:
opening one could disturb whoever is reading it.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ports, err := serialport.List(sysfs, dev)
			if err != nil {
				return err
			}
			return printPorts(cmd.OutOrStdout(), ports)
		},
	}
	cmd.Flags().StringVar(&sysfs, "sysfs", "/sys", "root of the device tree")
	cmd.Flags().StringVar(&dev, "dev", "/dev", "folder of the device files")
	_ = cmd.Flags().MarkHidden("sysfs") // the flags are there: no error
	_ = cmd.Flags().MarkHidden("dev")
	return cmd
}

func printPorts(w io.Writer, ports []serialport.Info) error {
	if len(ports) == 0 {
		_, err := fmt.Fprintln(w, "no serial ports; is the adapter plugged in?")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "PORT\tSTATE\tNAME ON ANY SOCKET\tMAKER AND PRODUCT\tDRIVER")
	for _, p := range ports {
		state := "free"
		if pid := serialport.Holder(p.Path); pid > 0 {
			state = fmt.Sprintf("in use by process %d", pid)
		}
		product := p.Manufacturer
		if product != "" && p.Product != "" {
			product += ", "
		}
		product += p.Product
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\n", p.Path, state,
			cmp.Or(p.USBName(), "-"), cmp.Or(product, "-"), cmp.Or(p.Driver, "-"))
		for _, link := range p.ByID {
			fmt.Fprintf(t, "  %s\t\t\t\t\n", link)
		}
	}
	return t.Flush()
}
