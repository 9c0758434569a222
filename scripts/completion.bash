# Completes the commands and options of evenbore in bash: source scripts/completion.bash
# (in zsh first: autoload -U +X bashcompinit && bashcompinit). Names of files and folders are completed as usual.
_evenbore() {
  local options word=${COMP_WORDS[COMP_CWORD]}
  case ${COMP_WORDS[1]} in
    new) options="--audio --order --family --workbook" ;;
    add) options="--audio --order" ;;
    check) options="--against --json" ;;
    plan) options="--takes --slurred-only --pilot --players --phrase --show-key --unseal" ;;
    run) options="--cores" ;;
    status) options="--json" ;;
    listen) options="--family --low --high --pattern --notes --direction --tuning-hz --json" ;;
    join) options="--into" ;;
  esac
  COMPREPLY=()
  if [ "$COMP_CWORD" -eq 1 ]; then
    COMPREPLY=($(compgen -W "new add check plan run status listen join" -- "$word"))
  elif [[ $word == -* ]]; then
    COMPREPLY=($(compgen -W "--help $options" -- "$word"))
  fi
}
complete -o default -F _evenbore evenbore
