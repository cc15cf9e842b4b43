/* Proposes the time zone of the browser where the set-up page asks for one and nothing is chosen yet. */
const select = document.querySelector("select[name=time_zone]");
const here = Intl.DateTimeFormat().resolvedOptions().timeZone;
if (select && !select.value && [...select.options].some((option) => option.value === here)) {
  select.value = here;
}
