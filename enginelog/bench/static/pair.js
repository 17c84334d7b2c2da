// A QR code brings the pairing code behind the #, which no browser sends anywhere: put it into the form and send that.

const code = location.hash.slice(1);
history.replaceState(null, "", location.pathname);
if (/^[0-9]{8}$/.test(code)) {
  document.getElementById("code").value = code;
  document.getElementById("pair").submit();
}
