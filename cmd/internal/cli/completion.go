package cli

import (
	"fmt"
	"io"
	"strings"

	"github.com/alecthomas/kong"
)

// completionFlag with bash, zsh or fish prints the script that completes the
// program's command line in that shell: the packages are made with it.
const completionFlag = "--completion"

// Completion writes the script for a shell, made from the command line itself.
func Completion(w io.Writer, app *kong.Application, shell string) error {
	script := map[string]func(*kong.Application) string{"bash": bash, "zsh": zsh, "fish": fish}[shell]
	if script == nil {
		return Usage(completionFlag + ": expected bash, zsh or fish")
	}
	_, err := io.WriteString(w, script(app))
	return err
}

// nodes are the program itself and its commands.
func nodes(app *kong.Application) []*kong.Node {
	return append([]*kong.Node{app.Node}, app.Children...)
}

// command is the name of a node, empty for the program's.
func command(n *kong.Node) string {
	if n.Parent == nil {
		return ""
	}
	return n.Name
}

// names are the ways to write a flag.
func names(f *kong.Flag) []string {
	list := []string{"--" + f.Name}
	if f.Short != 0 {
		list = append(list, "-"+string(f.Short))
	}
	return list
}

// flags are those that a command takes.
func flags(n *kong.Node) []*kong.Flag {
	var list []*kong.Flag
	for _, group := range n.AllFlags(true) {
		list = append(list, group...)
	}
	return list
}

// choices are the values that a flag takes, none where they are not listed.
func choices(f *kong.Flag) []string {
	if f.Enum == "" {
		return nil
	}
	return f.EnumSlice()
}

// first is the first sentence of a help text: menus have one line.
func first(help string) string {
	text, _, _ := strings.Cut(help, ". ")
	return strings.TrimSuffix(text, ".")
}

// bash completes words; where none is offered the shell itself completes files.
func bash(app *kong.Application) string {
	var commands []string
	for _, c := range app.Children {
		commands = append(commands, c.Name)
	}
	var values, words strings.Builder
	for _, n := range nodes(app) {
		var list []string
		for _, f := range flags(n) {
			list = append(list, names(f)...)
			if f.IsBool() {
				continue
			}
			offer := ""
			if list := choices(f); len(list) > 0 {
				offer = fmt.Sprintf(` COMPREPLY=($(compgen -W '%s' -- "$cur"));`, strings.Join(list, " "))
			}
			fmt.Fprintf(&values, "    %s)%s return ;;\n", command(n)+":"+strings.Join(names(f), "|"+command(n)+":"), offer)
		}
		if n.Parent == nil {
			list = append(list, commands...)
		}
		fmt.Fprintf(&words, "    '%s') words='%s' ;;\n", command(n), strings.Join(list, " "))
	}
	return fmt.Sprintf(`# Completion of %[1]s in bash, made from its command line.
_%[1]s() {
    local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} i command= words=
    if [ "$cur" = = ]; then
        cur=
    elif [ "$prev" = = ]; then
        prev=${COMP_WORDS[COMP_CWORD-2]}
    fi
    for ((i = 1; i < COMP_CWORD; i++)); do
        case ${COMP_WORDS[i]} in
        %[2]s) command=${COMP_WORDS[i]}; break ;;
        esac
    done
    case $command:$prev in
%[3]s    esac
    case $command in
%[4]s    esac
    if [ -z "$command" ] || [[ $cur == -* ]]; then
        COMPREPLY=($(compgen -W "$words" -- "$cur"))
    fi
}
complete -o bashdefault -o default -F _%[1]s %[1]s
`, app.Name, strings.Join(commands, "|"), values.String(), words.String())
}

// quote puts text into single quotes, as bash and zsh read them.
func quote(text string) string { return "'" + strings.ReplaceAll(text, "'", `'\''`) + "'" }

// zsh completes with the shell's own function for options.
func zsh(app *kong.Application) string {
	spec := func(n *kong.Node) string {
		var b strings.Builder
		for _, f := range flags(n) {
			for _, name := range names(f) {
				text := strings.NewReplacer("[", `\[`, "]", `\]`, ":", `\:`).Replace(first(f.Help))
				takes := ""
				if list := choices(f); len(list) > 0 {
					takes = ":value:(" + strings.Join(list, " ") + ")"
				} else if !f.IsBool() {
					takes = ":value:_files"
				}
				fmt.Fprintf(&b, " \\\n        %s", quote(name+"["+text+"]"+takes))
			}
		}
		return b.String()
	}
	var list, cases strings.Builder
	for _, c := range app.Children {
		fmt.Fprintf(&list, "        %s\n", quote(c.Name+":"+strings.ReplaceAll(first(c.Help), ":", `\:`)))
		fmt.Fprintf(&cases, "    %s)\n        _arguments%s \\\n        '*:file:_files' ;;\n", c.Name, spec(c))
	}
	return fmt.Sprintf(`#compdef %[1]s
# Completion of %[1]s in zsh, made from its command line.
_%[1]s() {
    local curcontext=$curcontext state line
    local -a commands=(
%[2]s    )
    _arguments -C%[3]s \
        '1:command:->command' '*::argument:->argument'
    case $state in
    command) _describe command commands; return ;;
    argument) ;;
    *) return ;;
    esac
    case $line[1] in
%[4]s    esac
}
_%[1]s "$@"
`, app.Name, list.String(), spec(app.Node), cases.String())
}

// fish has a line for each command and flag.
func fish(app *kong.Application) string {
	quote := func(text string) string {
		return "'" + strings.NewReplacer(`\`, `\\`, "'", `\'`).Replace(text) + "'"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# Completion of %s in fish, made from its command line.\n", app.Name)
	for _, n := range nodes(app) {
		when := "__fish_use_subcommand"
		if n.Parent != nil {
			fmt.Fprintf(&b, "complete -c %s -n __fish_use_subcommand -f -a %s -d %s\n", app.Name, n.Name, quote(first(n.Help)))
			when = "__fish_seen_subcommand_from " + n.Name
		}
		for _, f := range flags(n) {
			line := fmt.Sprintf("complete -c %s -n %s -l %s", app.Name, quote(when), f.Name)
			if f.Short != 0 {
				line += " -s " + string(f.Short)
			}
			if list := choices(f); len(list) > 0 {
				line += " -x -a " + quote(strings.Join(list, " "))
			} else if !f.IsBool() {
				line += " -r"
			}
			b.WriteString(line + " -d " + quote(first(f.Help)) + "\n")
		}
	}
	return b.String()
}
