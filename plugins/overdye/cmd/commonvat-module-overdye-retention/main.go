// Command commonvat-module-overdye-retention is the module overdye-retention as a process. A host starts it.
package main

import (
	"github.com/commonvat/commonvat/plugins/overdye"
	"github.com/commonvat/commonvat/plugins/sdk"
)

func main() { sdk.Serve(overdye.Module()) }
