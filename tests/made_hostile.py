"""Names that try to act: each must stay text wherever a page shows it."""

NAMES = {
    "script": "</script><script>document.title='broken'</script>",
    "event": "<img src=x onerror=\"document.title='broken'\">",
    "svg": "\"><svg onload=document.title='broken'>",
    "template": "${document.title='broken'} {{7*7}} {% x %} <%= 7 %>",
    "backslash": 'C:\\new\\u003cb\\u003e\\0 \\"',
    "right_to_left": "\u202eevil\u202c \u05e8\u05d7\u05d5\u05d1 \u0634\u0627\u0631\u0639",
    "emoji": "\U0001f6a6\U0001f469\u200d\U0001f469\u200d\U0001f467 \u2708\ufe0f",
    "control": "a\u0007b\u2028c\u2029d",
    "markup": "<b>bold</b> &amp; <!-- x --> ]]>",
    "link": "javascript:document.title='broken'",
    "long": "Lang " * 2_048,
}
"""What a name tries, and the name; the last is 10 kB."""
