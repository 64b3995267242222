// Moving the slider shows the plan it stands on at once; without this file the button does it.
const slider = document.getElementById("step");
if (slider) slider.addEventListener("change", () => slider.form.requestSubmit());
