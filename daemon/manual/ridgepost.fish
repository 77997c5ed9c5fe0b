# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_ridgepost_global_optspecs
    string join \n cell= h/help V/version
end

function __fish_ridgepost_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_ridgepost_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_ridgepost_using_subcommand
    set -l cmd (__fish_ridgepost_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c ridgepost -n "__fish_ridgepost_needs_command" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_needs_command" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -s V -l version -d 'Print version'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "demo" -d 'Show a cell in miniature: virtual instruments, the real daemon, store and drops'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "run" -d 'Run the daemon in the foreground'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "check" -d 'Tell all faults of the configuration, and what unwritten defaults mean'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "status" -d 'Show stations, gauges, open job, outbox, disk and clock on one screen'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "ports" -d 'List serial devices with a stable name, who holds them, and the TOML for them'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "record" -d 'Record what an instrument sends, with its timing, for `try`'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "try" -d 'Decode bytes with an instrument definition and say what each frame is'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "profile" -d 'Evaluate a measured trace'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "job" -d 'Open, close or show the job, or end a piece'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "verify" -d 'Hold a gauge against a specimen: its next readings are of that'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "gauge" -d 'Show a gauge, what happened to it, and what it measured since it was last good'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "certificate" -d 'Read a digital calibration certificate of a specimen, as an entry of gauges.toml'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "void" -d 'Declare readings void: they count for nothing, and stay to be seen'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "assign" -d 'Say which piece, job or characteristic readings are of, and judge them by it'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "dispose" -d 'Write down what becomes of a part that does not conform'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "label" -d 'Type a label in place of a scanner'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "ask" -d 'Ask the instrument of a station for a measurement, through the running daemon'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "replay" -d 'Read stored bytes again with today\'s definitions, and add what comes out otherwise'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "readings" -d 'Query the store'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "series" -d 'Tell what the readings of a quantity say together: control charts, capability, studies of a gauge'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "first-article" -d 'Tell of each characteristic of a piece what was required and measured, as a first article\'s report asks it'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "why" -d 'Tell everything one result rests on'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "digest" -d 'Tell what happened on one day: pieces, readings, rejects, gaps, what is not delivered'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "doctor" -d 'Look at store, disk, permissions, clock and drops'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "backup" -d 'Make a consistent copy of the store while the daemon runs'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "outbox" -d 'Show deliveries that wait or are parked, and send again'
complete -c ridgepost -n "__fish_ridgepost_needs_command" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand demo" -l dir -d 'Where the demo leaves its cell, store and drops; must be empty or absent [default: a new folder for temporary files]' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand demo" -l seed -d 'Varies the numbers that the virtual instruments show' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand demo" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand demo" -l stay -d 'Keep the daemon running after the show, until Enter or Ctrl-C'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand demo" -l json -d 'JSON Lines on stdout: every result, last the places'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand demo" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand run" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand run" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand check" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand check" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand check" -l codes -d 'Print the closed lists of codes that frames, remarks and outcomes draw from'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand check" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand status" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand status" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand status" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand ports" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand ports" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand ports" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l layout -d 'It is an input device that types: the keyboard layout that it is set to' -r -f -a "us\t''
uk\t''
de\t''
ch\t''
fr\t''"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l baud -d 'Bits per second' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l data-bits -d 'Data bits' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l parity -d 'Parity' -r -f -a "none\t''
even\t''
odd\t''"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l stop-bits -d 'Stop bits' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l flow -d 'Flow control' -r -f -a "none\t''
software\t''
hardware\t''"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l dtr -d 'Level of DTR; left to the driver otherwise' -r -f -a "true\t''
false\t''"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l rts -d 'Level of RTS; left to the driver otherwise' -r -f -a "true\t''
false\t''"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l interface -d 'Interface of a USB device' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l send -d 'Bytes to send at the beginning, with \\r \\n \\t \\\\ and \\x05; several in their order, one second apart' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l seconds -d 'End after so many seconds; otherwise Ctrl-C ends it' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l bytes -d 'End after so many bytes of the instrument' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand record" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand try" -l layout -d 'The input holds keys: read them by this keyboard layout, whatever layout they were recorded with' -r -f -a "us\t''
uk\t''
de\t''
ch\t''
fr\t''"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand try" -l expect -d 'Tell only what is otherwise than in this file, which has the form of --json: keys that it leaves out may hold anything, frames and readings are counted' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand try" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand try" -l json -d 'JSON Lines on stdout: one object per frame'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand try" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l edition -d 'Edition whose definitions are followed' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l filter -d 'Profile filter: gaussian, gaussian-robust, gaussian-2, 2rc or none' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l cutoff -d 'Cutoff λc, also the length of a section ("0.8 mm"; without a unit in mm)' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l lambda-s -d 'Short-wave cutoff λs ("2.5 µm"; without a unit in µm; "none" for none); what belongs to the cutoff where not given' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l sections -d 'Sections of the evaluation length' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l form -d 'Form that is taken out: none, line, arc or poly2' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l spacing -d 'Distance of the points ("0.5 µm"; without a unit in µm), where the file doesn\'t say it' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l levels -d 'Heights over the mean line in µm at which the material ratio is told' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l plot -d 'Draw the evaluation into this file' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l prefiltered -d 'The heights are a roughness profile already: no filter is applied'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l resample -d 'Take points that are not equally far apart at their mean distance'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -l json -d 'JSON on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand profile" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and not __fish_seen_subcommand_from open close show next help" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and not __fish_seen_subcommand_from open close show next help" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and not __fish_seen_subcommand_from open close show next help" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and not __fish_seen_subcommand_from open close show next help" -f -a "open" -d 'Open a job; an open one is closed first'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and not __fish_seen_subcommand_from open close show next help" -f -a "close" -d 'Close the open job; a piece that was begun ends with it'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and not __fish_seen_subcommand_from open close show next help" -f -a "show" -d 'Show the open job and its piece'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and not __fish_seen_subcommand_from open close show next help" -f -a "next" -d 'End the piece being measured, whatever it lacks'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and not __fish_seen_subcommand_from open close show next help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from open" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from open" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from open" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from close" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from close" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from close" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from show" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from show" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from show" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from next" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from next" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from next" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from help" -f -a "open" -d 'Open a job; an open one is closed first'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from help" -f -a "close" -d 'Close the open job; a piece that was begun ends with it'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from help" -f -a "show" -d 'Show the open job and its piece'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from help" -f -a "next" -d 'End the piece being measured, whatever it lacks'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand job; and __fish_seen_subcommand_from help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand verify" -l by -d 'Who does it' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand verify" -l specimen -d 'The specimen, where not the one that the gauge\'s rule names' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand verify" -l reason -d 'Why it is given up' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand verify" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand verify" -l as-left -d 'It shows how the gauge is left after cleaning, adjusting or repair; without it, how it was found'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand verify" -l stop -d 'Give up the verification under way'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand verify" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand verify" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l since -d 'What happened from this time on; with --measured, readings from there on, whether or not it was found bad' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l bias -d 'How far it was off, in place of what its verification found: Ra=8%, D=-4µm; positive where it shows too much' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l happened -d 'Write down what happened to it; it must be verified then' -r -f -a "stylus\t''
dropped\t''
adjusted\t''
settings\t''
found-bad\t''"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l settle -d 'Write down what becomes of the readings in doubt; no outcome is changed' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l by -d 'Who says so' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l reason -d 'Why, in your words' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l measured -d 'The readings since it was last known to be good, with their way to the limit'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l csv -d 'CSV on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l notice -d 'Tell every sink of each reading in doubt, as a `notice`'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand gauge" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand certificate" -l specimen -d 'Id of the specimen in the register' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand certificate" -l serial -d 'The number on the specimen, which the certificate must name' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand certificate" -l due -d 'Last day that the certificate holds' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand certificate" -l take -d 'Which value is of which quantity, where its name is no symbol: `Ra=3`, by the number it is listed under' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand certificate" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand certificate" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand certificate" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand void" -l by -d 'Who decides' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand void" -l reason -d 'Why' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand void" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand void" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand void" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand assign" -l by -d 'Who decides' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand assign" -l reason -d 'Why' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand assign" -l job -d 'The job they are of; without it, the one they were taken in' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand assign" -l serial -d 'The serial number they are of; without it, pieces stay together as they were' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand assign" -l balloon -d 'The characteristic they are for' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand assign" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand assign" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand assign" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand dispose" -l by -d 'Who decides' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand dispose" -l reason -d 'Why' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand dispose" -l as -d 'What becomes of the part' -r -f -a "rework\t'It is made again: its next readings are of the next cycle'
re-inspect\t'It is measured again'
use-as-is\t'It is used as it is, by a concession or permit'
scrap\t'It is scrapped'
return\t'It goes back to who delivered it'"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand dispose" -l reference -d 'Number of the concession, permit or report it stands on' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand dispose" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand dispose" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand dispose" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand label" -l scanner -d 'The scanner in whose place it is typed; without one it is about every station' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand label" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand label" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand label" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand ask" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand ask" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand ask" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand replay" -l since -d 'From this time on: `2026-11-25`, `2026-11-25T14:00`, with offset, or `8h`, `30m`, `2d` back from now' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand replay" -l station -d 'Of this station' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand replay" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand replay" -l json -d 'JSON Lines on stdout: a station each'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand replay" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -l since -d 'From this time on: `2026-11-25`, `2026-11-25T14:00`, with offset, or `8h`, `30m`, `2d` back from now' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -l job -d 'Of this job' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -l serial -d 'Of this serial number' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -l gauge -d 'By this gauge' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -l outcome -d 'With this outcome' -r -f -a "conforms\t''
nonconforming\t''
undecided\t''
unjudged\t''"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -l kind -d 'Of this kind' -r -f -a "reading\t''
verdict\t''
part\t''
correction\t''
notice\t''"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -l standing -d 'Only results that stand: no later row took their place'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -l json -d 'JSON Lines on stdout: every field of a result'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand readings" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l quantity -d 'Of this quantity, by its symbol: Ra, Rz, D, ...' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l job -d 'Of this job' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l balloon -d 'Of this characteristic' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l gauge -d 'By this gauge' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l since -d 'From this time on: `2026-11-25`, `2026-11-25T14:00`, with offset, or `8h`, `30m`, `2d` back from now' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l chart -d 'Which control chart' -r -f -a "individuals\t'Single readings and their moving ranges'
xbar-r\t'Means and ranges of subgroups'
xbar-s\t'Means and standard deviations of subgroups'"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l subgroup -d 'Readings in a subgroup of xbar-r and xbar-s, one after the other' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l one-side -d 'Points in a row on one side of the centre; 0: don\'t look' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l trend -d 'Points in a row rising or falling; 0: don\'t look' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l alternating -d 'Points in a row, each turning against the step before; 0: don\'t look' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l within -d 'Points in a row within one sigma; 0: don\'t look' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l none-within -d 'Points in a row with none within one sigma; 0: don\'t look' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l study -d 'A study of the gauge instead of a chart, of readings in mode `study`' -r -f -a "ranges\t'Repeatability and reproducibility by averages and ranges'
variance\t'Repeatability and reproducibility by analysis of variance'
single\t'One gauge against one specimen (Cg, Cgk)'"
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l from -d 'Take the study\'s readings from a CSV file with the columns part, operator, value' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l tolerance -d 'Width between both limits, in the unit of the readings, for a study' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l reference -d 'Certified value of the specimen, in the unit of the readings, for the study `single`' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l points -d 'Every point of the chart, not only those that a rule fires on'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand series" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand first-article" -l serial -d 'Serial number of the piece' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand first-article" -l job -d 'Of this job, where the piece was measured in several' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand first-article" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand first-article" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand first-article" -l csv -d 'CSV on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand first-article" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand why" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand why" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand why" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand digest" -l date -d 'Of this local day, for example 2026-11-24; today so far where not given' -r
complete -c ridgepost -n "__fish_ridgepost_using_subcommand digest" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand digest" -l json -d 'JSON Lines on stdout: one object'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand digest" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand doctor" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand doctor" -l thorough -d 'Read every page of the store and every hash, which takes its time'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand doctor" -l json -d 'JSON Lines on stdout: one object per finding'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand doctor" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand backup" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand backup" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand backup" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and not __fish_seen_subcommand_from list retry again help" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and not __fish_seen_subcommand_from list retry again help" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and not __fish_seen_subcommand_from list retry again help" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and not __fish_seen_subcommand_from list retry again help" -f -a "list" -d 'Deliveries that are due, filling or parked, with reasons'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and not __fish_seen_subcommand_from list retry again help" -f -a "retry" -d 'Parked deliveries are due again'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and not __fish_seen_subcommand_from list retry again help" -f -a "again" -d 'Results FROM..TO (numbers, both included) go out again, under the same names with the same bytes'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and not __fish_seen_subcommand_from list retry again help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from list" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from list" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from list" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from retry" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from retry" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from retry" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from again" -l cell -d 'The cell folder: cell.toml, gauges.toml, jobs/, instruments/' -r -F
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from again" -l json -d 'JSON Lines on stdout'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from again" -s h -l help -d 'Print help'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from help" -f -a "list" -d 'Deliveries that are due, filling or parked, with reasons'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from help" -f -a "retry" -d 'Parked deliveries are due again'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from help" -f -a "again" -d 'Results FROM..TO (numbers, both included) go out again, under the same names with the same bytes'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand outbox; and __fish_seen_subcommand_from help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "demo" -d 'Show a cell in miniature: virtual instruments, the real daemon, store and drops'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "run" -d 'Run the daemon in the foreground'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "check" -d 'Tell all faults of the configuration, and what unwritten defaults mean'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "status" -d 'Show stations, gauges, open job, outbox, disk and clock on one screen'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "ports" -d 'List serial devices with a stable name, who holds them, and the TOML for them'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "record" -d 'Record what an instrument sends, with its timing, for `try`'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "try" -d 'Decode bytes with an instrument definition and say what each frame is'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "profile" -d 'Evaluate a measured trace'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "job" -d 'Open, close or show the job, or end a piece'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "verify" -d 'Hold a gauge against a specimen: its next readings are of that'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "gauge" -d 'Show a gauge, what happened to it, and what it measured since it was last good'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "certificate" -d 'Read a digital calibration certificate of a specimen, as an entry of gauges.toml'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "void" -d 'Declare readings void: they count for nothing, and stay to be seen'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "assign" -d 'Say which piece, job or characteristic readings are of, and judge them by it'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "dispose" -d 'Write down what becomes of a part that does not conform'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "label" -d 'Type a label in place of a scanner'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "ask" -d 'Ask the instrument of a station for a measurement, through the running daemon'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "replay" -d 'Read stored bytes again with today\'s definitions, and add what comes out otherwise'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "readings" -d 'Query the store'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "series" -d 'Tell what the readings of a quantity say together: control charts, capability, studies of a gauge'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "first-article" -d 'Tell of each characteristic of a piece what was required and measured, as a first article\'s report asks it'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "why" -d 'Tell everything one result rests on'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "digest" -d 'Tell what happened on one day: pieces, readings, rejects, gaps, what is not delivered'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "doctor" -d 'Look at store, disk, permissions, clock and drops'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "backup" -d 'Make a consistent copy of the store while the daemon runs'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "outbox" -d 'Show deliveries that wait or are parked, and send again'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and not __fish_seen_subcommand_from demo run check status ports record try profile job verify gauge certificate void assign dispose label ask replay readings series first-article why digest doctor backup outbox help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and __fish_seen_subcommand_from job" -f -a "open" -d 'Open a job; an open one is closed first'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and __fish_seen_subcommand_from job" -f -a "close" -d 'Close the open job; a piece that was begun ends with it'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and __fish_seen_subcommand_from job" -f -a "show" -d 'Show the open job and its piece'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and __fish_seen_subcommand_from job" -f -a "next" -d 'End the piece being measured, whatever it lacks'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and __fish_seen_subcommand_from outbox" -f -a "list" -d 'Deliveries that are due, filling or parked, with reasons'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and __fish_seen_subcommand_from outbox" -f -a "retry" -d 'Parked deliveries are due again'
complete -c ridgepost -n "__fish_ridgepost_using_subcommand help; and __fish_seen_subcommand_from outbox" -f -a "again" -d 'Results FROM..TO (numbers, both included) go out again, under the same names with the same bytes'
