"""The words of sign-in, refusals and the access page."""

TITLE = "Sign in"
NAME = "Name"
PASSWORD = "Password"  # noqa: S105  # the field's label
SUBMIT = "Sign in"
SIGN_OUT = "Sign out {account}"
WRONG = "Wrong name or password."
WAIT = "Too many attempts. Wait {minutes} minutes, or ask your administrator."
FORM_OLD = "This form was too old or did not come from here. Try again."
BUSY = "Too many people are signing in now. Try again in a few seconds."
BUSY_PAGES = "The server is busy; the live page has priority. Try again in a few seconds."
NO_ACCOUNTS = "Nobody can sign in: the accounts cannot be read. The service's log has the reason."

HOUSE_FIRST = "Your organisation's sign-in named nobody with a role here. Ask its administrator."
SIGN_IN_FIRST = "Sign in first."
NOT_YOURS = "This is not for your role ({roles}). Your administrator can change that."
WATCH_ONLY = "Your role watches: it can read, but not send."
NOT_FROM_HERE = "This request did not come from a page of this service."
NOT_UNDERSTOOD = "Cannot understand this request."
NOT_OURS = "The request did not come from this server's page. Reload the page."
NOT_READ = "Could not read the request. Reload the page."
NOT_DONE = "This cannot be shown"
NOT_THERE = "There is nothing at this address."
TO_THE_PAGES = "To the pages"
NO_LOG = "Refused: it could not be written into the access log. Is the archive's disk full?"
NO_TLS = "Refused: this request did not come over TLS through the declared proxy. Open {url} instead."

ACCESS = "Access"
ACCOUNTS = "Accounts"
ACCOUNT_HEADS = ("Name", "Roles", "Since")
ACCOUNTS_NOTE = "Accounts are added and removed with `underair account` on the server."
SESSIONS = "Signed in now"
SESSION_HEADS = ("Session", "Name", "Since", "Last seen")
END_SESSION = "End"
END_ABOUT = "End session {session} of {account}"
LOG = "Who did what"
LOG_NOTE = "The last {shown} of {total} entries. {chain}"
LOG_HEADS = ("At (UTC)", "Name", "Roles", "Session", "From", "Action", "About", "Outcome")
CHAIN_HOLDS = "The chain is intact; its last hash is {head}."
CHAIN_BROKEN = "The chain is broken: {fault}."
FIND = "Find"
FIND_HINT = "name, action, incident"
DOWNLOAD = "All entries as CSV"

BEYOND_LOOPBACK = (
    "{host} can be reached from other machines, where {missing}. Make accounts with `underair account add "
    "NAME --role ROLE --accounts FILE`, put a reverse proxy with TLS in front, and start with "
    "--accounts FILE --public-url https://NAME --proxy ADDRESS; or keep --host 127.0.0.1, where "
    "no sign-in is needed"
)
