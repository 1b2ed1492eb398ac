export default function (component) {}
